"""`sim://` URLs, the state file, and the port over both."""

from __future__ import annotations

import json
import threading
import time

import pytest

from bridge.link.client import Adapter
from bridge.link.port import open_port
from sim.adapter import SimAdapter
from sim.bench import Bench
from sim.clock import Clock
from sim.protocol_sim import register
from sim.state_file import StateFile

register()

STEP_EAST = bytes.fromhex("E03168FF")


def make_bench(dish, *, speed: float = 1.0, state: StateFile | None = None) -> Bench:
    return Bench(SimAdapter(dish), Clock(speed=speed, start_s=dish.time_s), state=state)


def test_a_wait_ends_when_bytes_come_and_not_before(noting_dish):
    bench = make_bench(noting_dish)
    bench.take()
    threading.Timer(0.1, bench.feed, (b"status\n",)).start()
    before_s = time.monotonic()
    assert bench.wait(5.0).startswith(b"- ok ")
    assert 0.05 < time.monotonic() - before_s < 1.0


def test_a_wait_ends_when_something_falls_due_by_itself(noting_dish):
    bench = make_bench(noting_dish)
    bench.take()
    bench.feed(b"stop\n")
    assert bench.wait(1.0).startswith(b"- stopped ")
    before_s = time.monotonic()
    assert bench.wait(1.0).startswith(b"- keyed ")
    # A frame of three bytes takes 40.5 ms on the bus (from memory).
    assert 0.03 < time.monotonic() - before_s < 0.3


def test_a_wait_can_be_ended_from_outside_and_by_time(noting_dish):
    bench = make_bench(noting_dish)
    bench.take()
    assert bench.wait(0.02) == b""
    threading.Timer(0.05, bench.rouse).start()
    before_s = time.monotonic()
    assert bench.wait(None) == b""
    assert time.monotonic() - before_s < 1.0


def test_a_pause_holds_the_bus_and_a_new_pace_wakes_the_waiter(noting_dish):
    bench = make_bench(noting_dish)
    bench.take()
    bench.clock.pause()
    bench.feed(b"stop\n")
    bench.take()
    assert bench.wait(0.15) == b""
    assert noting_dish.frames == []
    threading.Timer(0.05, bench.clock.resume).start()
    assert b"keyed" in bench.wait(2.0)


def test_a_dish_closed_in_mid_move_has_come_to_rest_in_its_state(tmp_path):
    path = tmp_path / "state.json"
    url = f"sim://larkmere?speed=20&state={path}"
    with Adapter.open(url) as adapter:
        boot = adapter.greeting.boot
        start = adapter.status().tally
        adapter.send(bytes.fromhex("E031680A"))
        while adapter.status().tally == start:
            time.sleep(0.01)
    kept = json.loads(path.read_text())
    with Adapter.open(url) as adapter:
        assert adapter.greeting.boot == boot + 1
        assert adapter.status().moving is None
        assert adapter.status().tally < start
        reply = adapter.send(bytes.fromhex("E23164"), reply_s=0.2).reply
    # Bit 0 of the positioner's status: position reference lost (Positioner Application Note,
    # from memory). An orderly end must not lose it.
    assert reply is not None
    assert not reply[1] & 0x01
    assert kept["boot"] == boot


def test_the_port_reads_in_pieces_and_tells_what_waits(monkeypatch):
    import serial

    device = serial.serial_for_url("sim://larkmere", timeout=1.0)
    assert device.is_open
    device.reset_input_buffer()
    device.write(bytearray(b"status\n"))
    assert device.read(2) == b"- "
    assert device.in_waiting > 20
    assert device.read(2) == b"ok"
    device.reset_input_buffer()
    device.timeout = 0.05
    assert device.read(1) == b""
    device.timeout = None
    threading.Timer(0.05, device.cancel_read).start()
    assert device.read(1) == b""
    device.close()
    device.close()
    with pytest.raises(serial.PortNotOpenError):
        device.write(b"x")


def test_closing_the_port_ends_a_read_in_another_thread():
    port = open_port("sim://larkmere")
    before_s = time.monotonic()
    port.close()
    assert time.monotonic() - before_s < 0.5


def test_a_request_costs_little_beside_its_time_on_the_bus():
    """Not a benchmark, only a guard against a polling sleep: a hundred looks in a second."""
    with Adapter.open("sim://larkmere") as adapter:
        before_s = time.monotonic()
        for _ in range(100):
            adapter.status()
        assert time.monotonic() - before_s < 1.0
