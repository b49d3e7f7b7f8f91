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
    wait_for(lambda: len(helm._closing._cond._waiters) > 0)  # it rests, and does not spin
    helm.close()
    assert "helm" not in [thread.name for thread in threading.enumerate()]


def test_a_port_that_comes_later_is_opened(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(helm_module, "REOPEN_S", 0.01)
    bench.clock = time.monotonic
    tried = iter([PortUnavailable("there is no port"), PortUnavailable("still none"), None])

    def opened() -> Any:
        if error := next(tried):
            raise error
        return bench

    helm = Helm(opened, port="x", live=True).start()
    wait_for(lambda: helm.snapshot().link == "open")
    helm.close()


def test_a_helm_that_is_never_closed_keeps_no_process_alive(real: Helm) -> None:
    real.start()
    assert [thread.daemon for thread in threading.enumerate() if thread.name == "helm"] == [True]


def waiting(condition: threading.Condition, wait: Callable[[], None]) -> threading.Thread:
    """A thread that waits on `condition`, as it must."""
    thread = threading.Thread(target=wait, daemon=True)
    thread.start()
    wait_for(lambda: len(condition._waiters) > 0)  # type: ignore[attr-defined]
    return thread


def is_over(thread: threading.Thread) -> bool:
    thread.join(PROMPT_S)
    return not thread.is_alive()


def test_the_helm_rests_until_the_next_look_or_an_order(watched: Any) -> None:
    helm = watched.helm
    helm._due_s = watched.clock() + FAR_S
    thread = waiting(helm._orders._wake, helm._rest)
    helm.store(7)
    assert is_over(thread)


def test_without_a_port_no_order_ends_the_rest(clock: Any, bench: Any) -> None:
    helm = Helm(lambda: bench, port="x", live=True, clock=clock)
    helm._due_s = clock() + FAR_S
    helm.store(7)
    thread = waiting(helm._closing._cond, helm._rest)  # type: ignore[attr-defined]
    helm.close()
    assert is_over(thread)


@pytest.mark.parametrize("what", ["an order", "a jog", "a held key"])
@pytest.mark.parametrize("waits", [False, True])
def test_an_order_ends_the_wait(what: str, waits: bool) -> None:
    orders = Orders(lambda: 1000.0)
    put = {
        "an order": lambda: orders.put(FrameOrder(frame_of(Halt()))),
        "a jog": lambda: orders.jog("west", 1000.0),
        "a held key": lambda: orders.hold("west", 1000.0),
    }[what]

    def wait() -> None:
        orders.wait(1000.0 + FAR_S)

    if waits:
        thread = waiting(orders._wake, wait)
        put()
    else:
        put()
        thread = threading.Thread(target=wait, daemon=True)
        thread.start()
    assert is_over(thread)


def test_the_wait_ends_with_its_time() -> None:
    orders = Orders()
    thread = threading.Thread(target=orders.wait, args=(time.monotonic() + 0.02,), daemon=True)
    thread.start()
    thread.join(PROMPT_S)
    assert not thread.is_alive()
