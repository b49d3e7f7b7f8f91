"""`sim://` URLs, the state file, and the port over both."""

from __future__ import annotations

import json
import threading
import time

import pytest

from bridge.errors import ArcstepError, YardError
from bridge.link.client import Adapter
from bridge.link.port import open_port
from sim.adapter import SimAdapter
from sim.bench import Bench
from sim.clock import Clock
from sim.protocol_sim import register
from sim.state_file import StateFile
from sim.yard_url import YardUrl

register()

STEP_EAST = bytes.fromhex("E03168FF")


def test_an_empty_url_is_the_demo_yard_at_real_pace():
    assert YardUrl.parse("sim://") == YardUrl("larkmere", (), 0, 1.0, None)


def test_every_part_of_a_url():
    told = YardUrl.parse(
        "sim://larkmere?fault=jam&fault=wet-sensor,lost-counts&seed=7&speed=2.5&state=/x/y"
    )
    assert told.faults == ("jam", "wet-sensor", "lost-counts")
    assert (told.yard, told.seed, told.speed, told.state) == ("larkmere", 7, 2.5, "/x/y")


def test_a_yard_may_be_a_path():
    assert YardUrl.parse("sim:///tmp/my%20yard.toml").yard == "/tmp/my yard.toml"


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("sim://larkmere?colour=red", "no option 'colour'"),
        ("sim://larkmere?seed=x", "seed=x"),
        ("sim://larkmere?seed=-1", "seed=-1"),
        ("sim://larkmere?speed=fast", "speed=fast"),
        ("sim://larkmere?speed=0", "0.1 to 1000"),
        ("sim://larkmere?speed=nan", "0.1 to 1000"),
        ("sim://larkmere?speed=1&speed=2", "comes twice"),
        ("sim://larkmere?fault=", "no value"),
        ("sim://larkmere?fault=gremlins", "gremlins"),
        ("sim://nowhere", "nowhere"),
    ],
)
def test_what_cannot_be_is_refused_by_name(url, says):
    with pytest.raises(ArcstepError, match=says) as caught:
        Adapter.open(url)
    assert "\n" not in str(caught.value)


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


def test_state_is_written_whole_read_back_and_only_when_changed(tmp_path):
    path = tmp_path / "state.json"
    file = StateFile(path, "larkmere")
    assert file.load() == (None, 0)
    file.save({"count": 5}, 3)
    assert StateFile(path, "larkmere").load() == ({"count": 5}, 3)
    stamp = path.stat().st_mtime_ns
    file.save({"count": 5}, 3)
    assert path.stat().st_mtime_ns == stamp
    file.save({"count": 6}, 3)
    assert StateFile(path, "larkmere").load() == ({"count": 6}, 3)
    assert [it.name for it in tmp_path.iterdir()] == ["state.json"]


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"format": 2}', '{"format":1,"yard":"larkmere","boot":"x"}', "\xff"]
)
def test_a_file_that_holds_no_state_is_refused_and_left_alone(tmp_path, text):
    path = tmp_path / "state.json"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(YardError, match=r"state\.json") as caught:
        Adapter.open(f"sim://larkmere?state={path}")
    assert "name another" in str(caught.value)
    assert path.read_bytes() == text.encode("latin-1")


def test_the_state_of_another_yard_is_refused(tmp_path):
    path = tmp_path / "state.json"
    StateFile(path, "elsewhere").save({}, 1)
    with pytest.raises(YardError, match=r"elsewhere.*larkmere"):
        Adapter.open(f"sim://larkmere?state={path}")


def test_a_state_file_that_cannot_be_written_is_refused_at_once(tmp_path):
    with pytest.raises(YardError, match="cannot be written"):
        Adapter.open(f"sim://larkmere?state={tmp_path}/no/such/folder/state.json")


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
