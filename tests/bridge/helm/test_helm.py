"""The helm before an adapter without a wire: what is sent, in which order, and what is shown."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.errors import AdapterRefused, LinkLost, PortUnavailable
from bridge.helm.helm import Helm
from bridge.helm.snapshot import Activity, PositionRow, Scale
from bridge.link.dialogue import Booted, Damaged, Heard, Keyed, Stopped, Tripped
from bridge.log.record import Kind, LogEvent, Record
from bridge.log.sentence import sentence

HALT = "E0 31 60"

# what is ordered


def test_a_jog_is_one_count(watched: Any) -> None:
    watched.helm.jog("west", watched.clock())
    watched.run()
    assert watched.bench.done == ["E0 31 69 FF"]
    assert watched.log(Kind.SENT) == ["Drive west 1 count (polar positioner)."]
    assert watched.helm.snapshot().error == ""


def test_a_held_key_is_a_piece_and_a_halt(watched: Any) -> None:
    watched.helm.hold("west", watched.clock())
    watched.run(1.0)
    assert watched.bench.done == ["E0 31 69 01", "E0 31 60"]
    assert watched.log(Kind.SENT) == [
        "Drive west for at most 1 second (polar positioner).",
        "Halt the motor (polar positioner). (key released)",
    ]


def test_a_held_key_that_is_refused_is_forgotten(bench: Any, clock: Any) -> None:
    helm = Helm(lambda: bench, port="bench", live=True, clock=clock)
    helm.step()
    helm.hold("west", clock())
    for _ in range(20):
        helm.step()
        clock.pass_s(1 / 16)
    assert bench.done == []  # not even a halt
    assert [sentence(record) for record in helm.log_since(0) if record.kind is Kind.REFUSED] == [
        "Acknowledge the cautions first; nothing moves before"
    ]


def test_every_order_has_its_frame(watched: Any) -> None:
    helm = watched.helm
    for order in (
        lambda: helm.set_limit("east"),
        lambda: helm.limits(False),
        lambda: helm.limits(True),
        lambda: helm.store(12),
        lambda: helm.goto(7),
        lambda: helm.order("drive west 20 seconds"),
        lambda: helm.drive("west", counts=5),
        lambda: helm.set_supply(18),
        lambda: helm.set_tone(True),
    ):
        order()
        watched.run()
    assert watched.bench.done == [
        "E0 31 66",
        "E0 31 63",
        "E0 31 6A 00",
        "E0 31 6A 0C",
        "E0 31 6B 07",
        "E0 31 69 14",
        "E0 31 69 FB",
        "supply 18",
        "tone True",
    ]
    assert watched.log(Kind.NOTE)[-2:] == ["Supply 18 V", "Continuous tone on"]


def test_orders_are_carried_out_one_a_turn_and_in_order(watched: Any) -> None:
    for number in (3, 4, 5):
        watched.helm.store(number)
    watched.run()
    assert watched.bench.done == ["E0 31 6A 03"]
    watched.run()
    watched.run()
    watched.run()
    assert watched.bench.done == ["E0 31 6A 03", "E0 31 6A 04", "E0 31 6A 05"]


def test_an_order_out_of_range_is_refused_at_once(watched: Any) -> None:
    watched.helm.goto(256)
    watched.helm.drive("west", counts=129)
    assert watched.log(Kind.REFUSED) == [
        "Position 256 is outside 0 to 255",
        "A drive of 129 is outside 1 to 128 counts",
    ]
    assert watched.helm.snapshot().error == "a drive of 129 is outside 1 to 128 counts"


def test_words_that_are_no_command_are_refused(watched: Any) -> None:
    watched.helm.order("dance")
    (refused,) = watched.log(Kind.REFUSED)
    assert "dance" in refused
    watched.run()
    assert watched.bench.done == []


def test_what_the_guard_refuses_is_not_sent(watched: Any) -> None:
    watched.helm.order("raw E0 31 69 00")
    watched.run()
    assert watched.bench.done == []
    error = "E0 31 69 00 drives without a bound; say N counts (1-128) or N seconds (1-127)"
    assert watched.helm.snapshot().error == error
    assert watched.log(Kind.REFUSED) == [error]


def test_nothing_moves_before_the_cautions(bench: Any, clock: Any) -> None:
    helm = Helm(lambda: bench, port="bench", live=True, clock=clock)
    helm.step()
    helm.jog("west", clock())
    helm.step()
    assert bench.done == []
    assert helm.snapshot().error == "acknowledge the cautions first; nothing moves before"
    helm.acknowledge()
    assert helm.snapshot().acknowledged
    assert sentence(helm.log_since(0)[-1]) == "Cautions acknowledged"
    helm.jog("west", clock())
    helm.step()
    assert bench.done == ["E0 31 69 FF"]


def test_a_reset_is_sent_when_it_is_ordered_twice(watched: Any) -> None:
    helm, words = watched.helm, "raw E0 31 00"
    helm.order(words)
    watched.run()
    assert watched.bench.done == []
    assert helm.snapshot().confirm == words
    assert helm.snapshot().error == (
        "E0 31 00 needs a confirmation: a reset may clear the limits and the count; "
        "enter it again to send it"
    )
    helm.order(words, confirmed=True)
    watched.run()
    assert watched.bench.done == ["E0 31 00"]
    assert (helm.snapshot().confirm, helm.snapshot().error) == ("", "")


@pytest.mark.parametrize("between", ["halt", "another refusal", "words that are none"])
def test_a_confirmation_does_not_outlive_what_comes_between(watched: Any, between: str) -> None:
    helm = watched.helm
    helm.order("raw E0 31 00")
    watched.run()
    if between == "halt":
        helm.halt()
    elif between == "another refusal":
        helm.order("raw E0 31 69 00")
        watched.run()
    else:
        helm.order("dance")
    assert helm.snapshot().confirm == ""


def test_a_frame_may_be_told_by_words_alone_to_need_no_confirmation(watched: Any) -> None:
    watched.helm.order("raw E0 31 69 00")
    watched.run()
    assert watched.helm.snapshot().confirm == ""


def test_a_reply_is_read_with_its_question(watched: Any) -> None:
    watched.bench.reply = b"\xe4\xc0"
    watched.helm.order("status")
    watched.run()
    assert watched.bench.done == ["E2 31 64"]
    assert watched.bench.listened_s == [0.2]  # s; a reply begins within 150 ms
    assert watched.log(Kind.REPLY) == ["Positioner status: movement completed, soft limits on."]


def test_no_reply_is_said_and_nothing_waits_for_one_that_was_not_asked(watched: Any) -> None:
    watched.helm.order("status")
    watched.run()
    assert watched.log(Kind.NOTE)[-1] == "No reply; a one-way positioner gives none"
    watched.helm.store(7)
    watched.run()
    assert watched.bench.listened_s == [0.2, 0.0]
    assert watched.log(Kind.NOTE)[-1] == "No reply; a one-way positioner gives none"
    assert len(watched.log(Kind.NOTE)) == 3  # connected, acknowledged, no reply


def test_what_the_adapter_refuses_is_an_error_and_the_link_stays(watched: Any) -> None:
    watched.bench.error = AdapterRefused("the adapter is busy")
    watched.helm.store(7)
    watched.clock.now_s -= 1.0  # no look is due
    watched.run()
    watched.helm.set_supply(13)
    watched.run()
    assert watched.helm.snapshot().error == "the adapter is busy"
    assert watched.helm.snapshot().link == "open"
    assert watched.helm.snapshot().positions[0].count is None
    errors = [record for record in watched.records() if record.kind is Kind.ERROR]
    assert [(record.hex, record.detail) for record in errors] == [
        ("E0 31 6A 07", "the adapter is busy"),
        ("", "the adapter is busy"),
    ]


def test_a_position_is_selected_within_what_the_bus_carries(watched: Any) -> None:
    for number, chosen in ((12, 12), (0, 1), (-3, 1), (255, 255), (256, 255)):
        watched.helm.select(number)
        assert watched.helm.snapshot().selected == chosen


# halts


def test_a_halt_goes_out_at_once_and_is_logged(watched: Any) -> None:
    watched.helm.halt()
    assert watched.bench.done == ["stop"]
    record = watched.records()[-1]
    assert (record.kind, record.event, record.hex) == (Kind.SENT, LogEvent.HALT, HALT)
    assert sentence(record) == "Halt (SPACE)"
    watched.helm.order("halt")
    assert watched.bench.done == ["stop", "stop"]
    assert watched.log(Kind.SENT)[-1] == "Halt (command)"
    watched.run()
    assert watched.bench.done == ["stop", "stop"]


def test_a_halt_that_cannot_be_sent_is_an_error(watched: Any) -> None:
    watched.bench.stop_error = LinkLost("the port is stuck")
    watched.helm.halt()
    assert watched.log(Kind.ERROR) == ["Halt could not be sent: the port is stuck"]
    assert watched.log(Kind.SENT) == []
    watched.bench.stop_error = None


def test_a_halt_without_a_port_is_still_logged(bench: Any, clock: Any) -> None:
    helm = Helm(lambda: bench, port="bench", live=True, clock=clock)
    helm.halt()
    assert [sentence(record) for record in helm.log_since(0)] == ["Halt (SPACE)"]


def test_a_halt_empties_the_queue(watched: Any) -> None:
    for _ in range(5):
        watched.helm.drive("west", counts=20)
    watched.helm.halt()
    watched.run(0.5)
    assert watched.bench.done == ["stop"]


def test_key_presses_from_before_a_halt_move_nothing_after_it(watched: Any) -> None:
    pressed_s = watched.clock()
    watched.helm.halt()
    watched.helm.jog("west", pressed_s)
    watched.helm.hold("west", pressed_s)
    watched.run(0.5)
    assert watched.bench.done == ["stop"]


def test_a_halt_that_overtakes_a_frame_has_the_last_word(watched: Any) -> None:
    watched.bench.on_send = watched.helm.halt
    watched.helm.goto(7)
    watched.run()
    assert watched.bench.done == ["E0 31 6B 07", "stop", "stop"]
    assert watched.log(Kind.SENT) == ["Halt (SPACE)", "Go to position 7 (polar positioner)."]


def test_a_frame_that_nothing_overtakes_is_followed_by_no_stop(watched: Any) -> None:
    watched.helm.halt()
    watched.helm.goto(7)
    watched.run()
    assert watched.bench.done == ["stop", "E0 31 6B 07"]


# what is seen


def test_a_look_shows_what_the_adapter_measures(watched: Any) -> None:
    now = watched.helm.snapshot()
    assert (now.live, now.port, now.link, now.error) == (True, "bench", "open", "")
    assert now.capabilities == {"pulses", "tally", "motor"}
    assert (now.count, now.moving, now.activity) == (500, None, Activity.AT_REST)
    assert (now.motor_v, now.motor_a, now.signal_db) == (36.0, 1.4, 9.5)
    assert (now.supply_v, now.tone) == (13, True)
    assert watched.log(Kind.NOTE)[0] == "Connected to adapter bench-1 on bench"


def test_looks_come_each_50_ms(watched: Any) -> None:
    watched.bench.count = 501
    watched.clock.pass_s(0.049)
    watched.helm.step()
    assert watched.helm.snapshot().count == 500
    watched.clock.pass_s(0.002)
    watched.helm.step()
    assert watched.helm.snapshot().count == 501


def test_limits_and_positions_are_believed_as_sent(watched: Any) -> None:
    helm, bench = watched.helm, watched.bench
    bench.count = 45
    watched.look()
    helm.set_limit("east")
    watched.run()
    assert (helm.snapshot().limit_east, helm.snapshot().limits_on) == (45, True)
    helm.limits(False)
    watched.run()
    assert helm.snapshot().limits_on is False
    bench.count = 480
    watched.look()
    helm.store(7)
    watched.run()
    assert helm.snapshot().positions == (PositionRow(7, "Gorse", 14.3, 480, 480),)
    assert helm.snapshot().limits_on
    assert helm.scale() == Scale(0, 1000, "north", None, None, 45, None, helm.snapshot().positions)


def test_the_scale_is_the_one_given(bench: Any, clock: Any) -> None:
    helm = Helm(lambda: bench, port="x", live=False, span=(5, 905), hemisphere="south", clock=clock)
    assert helm.scale() == Scale(5, 905, "south", None, None, None, None, ())


def test_a_motion_is_shown_with_its_bound_until_it_rests(watched: Any) -> None:
    helm, bench = watched.helm, watched.bench
    helm.drive("west", counts=10)
    watched.run()
    bench.moving, bench.count, bench.pulses = "west", 501, 1
    watched.look()
    assert helm.snapshot().state == "driving west, 10 counts"
    bench.moving = None
    watched.run(10 / 16)
    assert helm.snapshot().state == "coasting to rest"
    watched.run(2 / 16)
    assert helm.snapshot().state == "at rest"
    bench.moving = "east"
    watched.look()
    assert helm.snapshot().state == "driving east"  # by somebody else


def test_a_step_too_short_to_be_seen_still_counts_for_reversals(watched: Any) -> None:
    watched.helm.drive("west", counts=1)
    watched.run(0.25)
    watched.helm.drive("east", counts=1)
    watched.run()
    assert watched.bench.done == ["E0 31 69 FF"]
    assert watched.helm.snapshot().error == (
        "moved west 0.2 s ago; wait 1 s before going east, so that the coast is not counted "
        "backwards"
    )


def test_an_end_switch_is_recognised(watched: Any) -> None:
    helm, bench = watched.helm, watched.bench
    for side, count in (("east", 0), ("west", 990)):
        bench.count, bench.amps, bench.moving = count, 0.0, side
        watched.run(1.2)
        record = watched.records()[-1]
        assert record.event is LogEvent.END_SWITCH
        assert (record.kind, record.side, record.count) == (Kind.NOTE, side, count)
        bench.moving = None
        watched.run(1.2)
    assert (helm.snapshot().east_end, helm.snapshot().west_end) == (0, 990)
    assert helm.snapshot().error == ""


@pytest.mark.parametrize(
    ("amps", "event", "error"),
    [
        (
            5.0,
            LogEvent.STALL,
            "Stalled at count 500 going east: high current and no counts; halt, then look what "
            "holds the dish",
        ),
        (
            1.4,
            LogEvent.NO_COUNTS,
            "No counts at count 500 while the motor runs east: look at the sensor and its cable, "
            "or at a sheared coupling",
        ),
    ],
)
def test_a_stall_and_missing_counts_are_errors(
    watched: Any, amps: float, event: LogEvent, error: str
) -> None:
    watched.helm.order("raw E0 31 00")  # a confirmation that waits is void
    watched.bench.amps, watched.bench.moving = amps, "east"
    watched.run(1.2)
    now = watched.helm.snapshot()
    assert (now.error, now.east_end, now.west_end, now.confirm) == (error, None, None, "")
    assert watched.records()[-1].event is event


def test_the_adapters_clock_tells_how_long_a_standstill_lasts(watched: Any) -> None:
    watched.bench.pace, watched.bench.amps, watched.bench.moving = 20.0, 0.0, "east"
    watched.run(0.15)
    assert watched.helm.snapshot().east_end == 500


def test_events_of_the_adapter_become_records(watched: Any) -> None:
    watched.bench.events_waiting = [
        Heard(0.0, b"\xe2\x31\x64"),
        Heard(0.1, b"\xe4\x80"),
        Heard(0.15, b"\xe4\x80"),
        Heard(0.2, bytes(12)),
        Keyed(0.3, b"\xe0\x31\x60"),
        Booted(7),
        Tripped(0.4, 1),
        Stopped(0.5),
        Damaged(far=True),
    ]
    before = len(watched.records())
    watched.look()
    assert [(record.kind, sentence(record)) for record in watched.records()[before:]] == [
        (Kind.HEARD, "Ask the positioner for its status (polar positioner)."),
        (Kind.HEARD, "Positioner status: movement completed."),
        (Kind.HEARD, "Reply: no errors, with data 80."),  # nothing was asked before it
        (Kind.HEARD, "12 bytes: too long for a message"),
        (Kind.HEARD, "Halt the motor (polar positioner). (the adapter's own)"),
        (Kind.ERROR, "The adapter restarted (boot 7); check the count"),
        (Kind.ERROR, "The adapter heard nothing from here in time and halted"),
        (Kind.NOTE, "The adapter has stopped the motor"),
        (Kind.NOTE, "A damaged packet came from the adapter"),
    ]
    assert watched.helm.snapshot().link == "open"


def test_noise_between_a_question_and_its_reply_leaves_them_together(watched: Any) -> None:
    watched.bench.events_waiting = [
        Heard(0.0, b"\xe2\x31\x64"),
        Heard(0.1, bytes(12)),
        Heard(0.1, b""),
        Heard(0.2, b"\xe4\x80"),
    ]
    watched.look()
    assert watched.log(Kind.HEARD)[-1] == "Positioner status: movement completed."


def test_a_command_that_breaks_off_ends_a_question(watched: Any) -> None:
    watched.bench.events_waiting = [
        Heard(0.0, b"\xe2\x31\x64"),
        Heard(0.1, b"\xe0"),
        Heard(0.2, b"\xe4\x80"),
    ]
    watched.look()
    assert watched.log(Kind.HEARD)[-1] == "Reply: no errors, with data 80."


def test_records_hold_the_last_count_and_are_followed_by_number(watched: Any) -> None:
    watched.bench.count = 480
    watched.look()
    watched.helm.store(7)
    watched.run()
    record = watched.records()[-1]
    assert (record.kind, record.hex, record.count) == (Kind.SENT, "E0 31 6A 07", 480)
    assert watched.helm.log_since(record.seq) == []
    assert record.t_s == watched.clock()


def test_a_goto_reports_where_it_ended(watched: Any) -> None:
    bench = watched.bench
    bench.count = 480
    watched.look()
    watched.helm.store(7)
    watched.run(1.5)
    bench.count = 520
    watched.look()
    watched.helm.goto(7)
    watched.run(0.1)
    assert watched.log(Kind.REST) == []
    bench.moving, bench.count, bench.pulses = "east", 500, 20
    watched.look()
    bench.moving, bench.count = None, 481
    watched.look()
    assert watched.log(Kind.REST) == []  # it may still coast
    watched.run(1.0)
    (rest,) = [record for record in watched.records() if record.kind is Kind.REST]
    assert rest.event is LogEvent.REACHED
    assert (rest.position, rest.expected, rest.count) == (7, 480, 481)
    assert sentence(rest) == "At rest at count 481, sent to position 7"


@pytest.mark.parametrize("overtakes", [False, True])
def test_a_goto_that_was_halted_is_no_arrival(watched: Any, overtakes: bool) -> None:
    bench = watched.bench
    watched.helm.store(7)
    watched.run(0.1)
    if overtakes:
        bench.on_send = watched.helm.halt
    watched.helm.goto(7)
    watched.run()
    bench.moving, bench.count = "east", 499
    watched.look()
    if not overtakes:
        watched.helm.halt()
    bench.moving = None
    watched.run(1.0)
    rest = watched.records()[-1]
    assert rest.event is LogEvent.HALTED
    assert sentence(rest) == "Halted at count 499, 1 east of position 7 (500)"


def test_the_last_minute_is_kept_for_the_plots(watched: Any) -> None:
    watched.run(0.5)
    times_s = [t_s for t_s, _, _ in watched.helm.history()]
    assert times_s == [1000.0, 1000.125, 1000.25, 1000.375, 1000.5]  # at least 0.1 s apart
    assert watched.helm.history()[-1][1:] == (9.5, 1.4)


def test_the_best_signal_is_kept_until_it_is_reset(watched: Any) -> None:
    helm, bench = watched.helm, watched.bench
    bench.signal_db, bench.count = 12.5, 510
    watched.look()
    bench.signal_db, bench.count = 11.0, 515
    watched.look()
    assert (helm.snapshot().best_db, helm.snapshot().best_count) == (12.5, 510)
    helm.reset_best()
    assert (helm.snapshot().best_db, helm.snapshot().best_count) == (None, None)
    watched.look()
    assert (helm.snapshot().best_db, helm.snapshot().best_count) == (11.0, 515)


# the count


def test_the_count_cannot_be_changed_in_mid_move(watched: Any) -> None:
    watched.bench.moving = "west"
    watched.look()
    watched.helm.call_count(0)
    watched.run()
    assert watched.bench.count == 500
    assert watched.helm.snapshot().error == "driving west; halt and let it come to rest first"


def test_a_recount_is_logged_and_voids_what_was_seen_in_the_old_count(watched: Any) -> None:
    helm, bench = watched.helm, watched.bench
    for side in ("east", "west"):
        bench.amps, bench.moving = 0.0, side
        watched.run(1.2)
        bench.moving = None
        watched.run(1.2)
    bench.signal_db = None
    assert helm.snapshot().east_end == helm.snapshot().west_end == 500
    helm.call_count(45)
    watched.run()
    now = helm.snapshot()
    assert (now.east_end, now.west_end, now.best_db, now.best_count) == (None, None, None, None)
    assert bench.count == 45
    record = watched.records()[-1]
    assert (record.event, record.old_count, record.new_count) == (LogEvent.RECOUNT, 500, 45)
    assert record.kind is Kind.NOTE
    assert sentence(record) == "Call this place count 45; it read 500"


# watch-dogs


def test_motion_past_its_bound_is_halted(watched: Any) -> None:
    watched.helm.drive("west", seconds=2)  # and 3 s of margin
    watched.run()
    watched.bench.moving = "west"
    watched.run(5.0)
    assert watched.bench.done == ["E0 31 69 02"]
    watched.look()
    assert watched.bench.done == ["E0 31 69 02", "stop"]
    assert watched.log(Kind.SENT)[-1] == "Halt (moved past its bound)"


def test_a_halted_bound_halts_nothing_later(watched: Any) -> None:
    watched.helm.drive("west", seconds=2)
    watched.run()
    watched.helm.halt()
    watched.bench.moving = "west"  # by hand, at the controller
    watched.run(8.0)
    assert watched.bench.done == ["E0 31 69 02", "stop"]


def test_a_silent_screen_halts_a_moving_dish(watched: Any) -> None:
    watched.bench.moving = "west"
    watched.run(3.0)
    assert watched.bench.done == []  # no screen was ever seen
    watched.helm.beat()
    watched.run(1.75)
    watched.helm.beat()
    watched.run(2.0)
    assert watched.bench.done == []
    watched.look()
    assert watched.bench.done == ["stop"]
    assert watched.log(Kind.SENT) == ["Halt (the screen stands still)"]


# the link


def test_a_lost_link_is_told_once_and_opened_again(watched: Any, lost: LinkLost) -> None:
    helm, bench = watched.helm, watched.bench
    bench.error = lost
    bench.close_error = lost  # closing what is gone fails, and that is no news
    watched.look()
    now = helm.snapshot()
    assert bench.closed.is_set()
    assert (now.link, now.error, now.activity) == ("lost", str(lost), Activity.NO_LINK)
    assert (now.moving, now.motor_v, now.motor_a, now.signal_db) == (None, None, None, None)
    assert watched.log(Kind.ERROR) == [
        "the port bench went away; the adapter halts the motor when its lease runs out"
    ]
    bench.error = bench.close_error = None
    helm.step()
    assert (helm.snapshot().link, helm.snapshot().error) == ("open", "")
    watched.run()
    assert helm.snapshot().activity is Activity.AT_REST


def test_a_lost_link_drops_orders_and_bounds(watched: Any, lost: LinkLost) -> None:
    helm, bench = watched.helm, watched.bench
    helm.drive("west", seconds=2)
    watched.run()
    for number in (3, 4):
        helm.store(number)
    bench.error = lost
    watched.run()
    bench.error = None
    bench.moving = "west"
    watched.run(6.0)
    assert bench.done == ["E0 31 69 02"]


def test_a_link_lost_while_sending_is_lost(watched: Any, lost: LinkLost) -> None:
    watched.bench.error = lost
    watched.helm.store(7)
    watched.clock.now_s -= 1.0  # no look is due
    watched.run()
    assert watched.helm.snapshot().link == "lost"
    watched.bench.error = None
    watched.helm.step()  # at once, though no look would be due
    assert watched.helm.snapshot().link == "open"


def test_reversals_are_remembered_over_a_lost_link(watched: Any, lost: LinkLost) -> None:
    watched.helm.drive("west", counts=1)
    watched.run()
    watched.bench.error = lost
    watched.look()
    watched.bench.error = None
    watched.run(0.1)
    watched.helm.drive("east", counts=1)
    watched.run()
    assert watched.bench.done == ["E0 31 69 FF"]


def test_a_port_that_cannot_be_opened_is_tried_each_second_and_logged_once(clock: Any) -> None:
    reasons = ["there is no port /dev/none; plug it in"] * 3 + ["it is busy"]
    tried_s: list[float] = []

    def nothing() -> Any:
        tried_s.append(clock())
        raise PortUnavailable(reasons[len(tried_s) - 1])

    helm = Helm(nothing, port="/dev/none", live=True, clock=clock)
    assert (helm.snapshot().link, helm.snapshot().state) == ("opening", "opening the port")
    for _ in range(41):
        if len(tried_s) < 4:
            helm.step()
        clock.pass_s(0.125)
    assert tried_s == [1000.0, 1001.0, 1002.0, 1003.0]
    assert [record.detail for record in helm.log_since(0)] == [reasons[0], "it is busy"]
    assert [record.kind for record in helm.log_since(0)] == [Kind.ERROR, Kind.ERROR]
    now = helm.snapshot()
    assert (now.link, now.error, now.state) == ("lost", "it is busy", "no link")
    helm.close()
    assert (helm.snapshot().link, helm.snapshot().state) == ("closed", "closed")


def test_closing_halts_first_and_only_once(watched: Any) -> None:
    watched.helm.close()
    watched.helm.close()
    assert watched.bench.done == ["stop"]
    assert watched.bench.closed.is_set()
    now = watched.helm.snapshot()
    assert (now.link, now.moving, now.activity) == ("closed", None, Activity.CLOSED)
    assert watched.log(Kind.SENT) == ["Halt (closing)"]


def test_a_port_that_opens_after_closing_is_given_back(bench: Any, clock: Any) -> None:
    helm: Helm

    def opens_late() -> Any:
        helm.close()
        return bench

    helm = Helm(opens_late, port="bench", live=True, clock=clock)
    helm.step()
    assert bench.closed.is_set()
    assert helm.snapshot().link == "closed"


def test_records_are_values(watched: Any) -> None:
    watched.helm.goto(7)
    watched.run()
    assert watched.records()[-1] == Record(
        Kind.SENT,
        frame=bytes.fromhex("E0316B07"),
        seq=3,
        t_s=1000.0,
        count=500,
    )
