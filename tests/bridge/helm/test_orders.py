"""The queue of orders: what comes first, what is dropped, what a halt leaves."""

from __future__ import annotations

from typing import Any

from bridge.bus.command import Drive, Goto, Store, frame_of
from bridge.helm.orders import AdapterOrder, FrameOrder, Orders
from bridge.log.record import Kind, Record

JOG, PIECE, HALT = "E0 31 69 FF", "E0 31 69 01", "E0 31 60"


def taken(orders: Orders) -> list[str]:
    """The frames that can be taken now."""
    frames = []
    while order := orders.take():
        assert isinstance(order, FrameOrder)
        frames.append(order.frame.hex)
    return frames


def test_a_held_key_goes_before_a_jog_and_that_before_the_rest(clock: Any) -> None:
    orders = Orders(clock)
    orders.put(FrameOrder(frame_of(Store(1))))
    orders.put(FrameOrder(frame_of(Goto(2))))
    orders.jog("west", clock())
    orders.hold("west", clock())
    assert taken(orders) == [PIECE, JOG, "E0 31 6A 01", "E0 31 6B 02"]
    assert orders.take() is None


def test_a_burst_of_jogs_leaves_one(clock: Any) -> None:
    orders = Orders(clock)
    for _ in range(60):
        orders.jog("west", clock())
    orders.jog("east", clock())
    assert taken(orders) == [JOG]
    orders.jog("east", clock())
    assert taken(orders) == ["E0 31 68 FF"]


def test_stale_presses_are_dropped(clock: Any) -> None:
    orders = Orders(clock)
    orders.jog("west", clock() - 0.3)
    orders.hold("west", clock() - 0.3)
    assert taken(orders) == []


def test_a_jog_carries_the_time_of_its_press(clock: Any) -> None:
    orders = Orders(clock)
    orders.jog("west", clock() - 0.1)
    order = orders.take()
    assert isinstance(order, FrameOrder)
    assert order.pressed_s == clock() - 0.1
    assert orders.fresh(order.pressed_s)
    clock.pass_s(0.2)
    assert not orders.fresh(order.pressed_s)


def test_a_halt_leaves_nothing_and_voids_earlier_presses(clock: Any) -> None:
    orders = Orders(clock)
    orders.put(FrameOrder(frame_of(Store(1))))
    orders.jog("west", clock())
    orders.hold("west", clock())
    assert orders.halts == 0
    orders.halt()
    assert orders.halts == 1
    assert taken(orders) == []
    orders.jog("west", clock())  # at the moment of the halt
    assert taken(orders) == []
    orders.jog("west", clock.pass_s(0.01))
    assert taken(orders) == [JOG]


def test_orders_carry_the_number_of_halts_before_them(clock: Any) -> None:
    orders = Orders(clock)
    orders.halt()
    orders.halt()
    now_s = clock.pass_s(0.01)
    change = AdapterOrder(lambda adapter: adapter.supply(13), Record(Kind.NOTE))
    orders.put(FrameOrder(frame_of(Store(1)), words="store 1", confirmed=True))
    orders.put(change)
    orders.jog("west", now_s)
    orders.hold("west", now_s)
    piece, jog, store = orders.take(), orders.take(), orders.take()
    assert store == FrameOrder(frame_of(Store(1)), "store 1", confirmed=True, halts=2)
    assert isinstance(piece, FrameOrder)
    assert piece.halts == 2
    assert jog == FrameOrder(
        frame_of(Drive("west", counts=1)),
        words="",
        confirmed=False,
        cause="",
        pressed_s=now_s,
        halts=2,
    )
    assert orders.take() is change
    clock.pass_s(1.0)
    halt = orders.take()
    assert isinstance(halt, FrameOrder)
    assert (halt.frame.hex, halt.cause, halt.halts) == (HALT, "key released", 2)
    assert orders.take() is None


def test_an_order_outside_the_queue_has_met_no_halt() -> None:
    assert FrameOrder(frame_of(Store(1))).halts == 0


def test_a_held_key_moves_in_pieces_until_it_is_released(clock: Any) -> None:
    orders = Orders(clock)
    frames = []
    for _ in range(24):  # 1.5 s of repeats
        orders.hold("west", clock())
        frames += taken(orders)
        clock.pass_s(1 / 16)
    assert frames == [PIECE, PIECE, PIECE]
    clock.pass_s(0.3)
    assert taken(orders) == [HALT]
    clock.pass_s(10.0)
    assert taken(orders) == []


def test_the_other_side_begins_anew(clock: Any) -> None:
    orders = Orders(clock)
    orders.hold("west", clock())
    assert taken(orders) == [PIECE]
    orders.hold("west", clock.pass_s(0.1))
    orders.hold("east", clock.pass_s(0.1))
    assert taken(orders) == ["E0 31 68 01"]
    orders.hold("east", clock.pass_s(0.1))
    assert taken(orders) == []  # 0.1 s of the piece are over


def test_a_key_whose_piece_was_refused_is_forgotten(clock: Any) -> None:
    orders = Orders(clock)
    orders.hold("west", clock())
    assert taken(orders) == [PIECE]
    orders.release_key()
    clock.pass_s(5.0)
    assert taken(orders) == []


def test_a_key_that_nobody_served_in_time_moves_nothing(clock: Any) -> None:
    orders = Orders(clock)
    orders.hold("west", clock())
    clock.pass_s(1.0)
    assert taken(orders) == []
    clock.now_s -= 0.9  # not even where it would be young again
    assert taken(orders) == []
