"""The helm's own thread, on the real clock: it wakes for orders, keeps looking, and ends."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from bridge.bus.command import Halt, frame_of
from bridge.errors import PortUnavailable
from bridge.helm import helm as helm_module
from bridge.helm.helm import Helm
from bridge.helm.orders import FrameOrder, Orders

PROMPT_S = 5.0  # s in which a loaded machine wakes a thread; a failure alone takes that long
FAR_S = 60.0  # s, later than any test may end


@pytest.fixture
def real(bench: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[Helm]:
    bench.clock = time.monotonic
    helm = Helm(lambda: bench, port="bench", live=True)
    helm.acknowledge()
    yield helm
    helm.close()


def wait_for(condition: Callable[[], object]) -> None:
    """Return as soon as the helm's thread has brought something about."""
    end_s = time.monotonic() + PROMPT_S
    while not condition():
        assert time.monotonic() < end_s, "it did not happen in time"
        threading.Event().wait(0.001)


def test_the_thread_opens_looks_and_sends(real: Helm, bench: Any) -> None:
    real.start()
    wait_for(lambda: real.snapshot().count == 500)
    real.jog("west", time.monotonic())
    assert bench.sending.wait(PROMPT_S)
    assert bench.done == ["E0 31 69 FF"]
    bench.count = 501
    wait_for(lambda: real.snapshot().count == 501)  # it goes on looking


def test_closing_ends_the_thread(real: Helm, bench: Any) -> None:
    real.start()
    wait_for(lambda: real.snapshot().link == "open")
    real.close()
    assert "helm" not in [thread.name for thread in threading.enumerate()]
    assert bench.closed.is_set()


def test_closing_in_the_helms_own_thread_does_not_wait_for_itself(real: Helm, bench: Any) -> None:
    bench.on_send = real.close
    real.start()
    began_s = time.monotonic()
    wait_for(lambda: real.snapshot().link == "open")
    real.store(7)
    wait_for(lambda: real.snapshot().link == "closed")
    assert time.monotonic() - began_s < helm_module.JOIN_S


def test_closing_wakes_a_helm_that_waits_for_its_port() -> None:
    tried = threading.Event()

    def nothing() -> Any:
        tried.set()
        raise PortUnavailable("there is no port")

    helm = Helm(nothing, port="x", live=True, clock=lambda: 1000.0).start()  # time stands still
    assert tried.wait(PROMPT_S)
    helm.close()
    assert "helm" not in [thread.name for thread in threading.enumerate()]


def woken_by(orders: Orders, act: Callable[[], object], clock_s: float = 1000.0) -> bool:
    """Whether a thread that waits on the queue for a minute goes on once `act` is called."""
    thread = threading.Thread(target=orders.wait, args=(clock_s + FAR_S,), daemon=True)
    waits = orders._wake._waiters  # type: ignore[attr-defined]
    thread.start()
    wait_for(lambda: len(waits) > 0)
    act()
    thread.join(PROMPT_S)
    return not thread.is_alive()


@pytest.mark.parametrize("what", ["an order", "a jog", "a held key", "closing"])
def test_the_queue_wakes_who_waits(what: str) -> None:
    orders = Orders(lambda: 1000.0)
    act = {
        "an order": lambda: orders.put(FrameOrder(frame_of(Halt()))),
        "a jog": lambda: orders.jog("west", 1000.0),
        "a held key": lambda: orders.hold("west", 1000.0),
        "closing": orders.close,
    }[what]
    assert woken_by(orders, act)


@pytest.mark.parametrize("what", ["an order", "a jog", "a held key", "closing", "the time"])
def test_nobody_waits_where_there_is_something_to_do(what: str) -> None:
    orders = Orders(lambda: 1000.0)
    {
        "an order": lambda: orders.put(FrameOrder(frame_of(Halt()))),
        "a jog": lambda: orders.jog("west", 1000.0),
        "a held key": lambda: orders.hold("west", 1000.0),
        "closing": orders.close,
        "the time": lambda: None,
    }[what]()
    until_s = 1000.0 if what == "the time" else 1000.0 + FAR_S
    thread = threading.Thread(target=orders.wait, args=(until_s,), daemon=True)
    thread.start()
    thread.join(PROMPT_S)
    assert not thread.is_alive()


def test_the_wait_ends_with_its_time() -> None:
    orders = Orders()
    thread = threading.Thread(target=orders.wait, args=(time.monotonic() + 0.02,), daemon=True)
    thread.start()
    thread.join(PROMPT_S)
    assert not thread.is_alive()
