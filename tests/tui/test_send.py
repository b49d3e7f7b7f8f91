"""One command to the simulated yard, and what is said of its motion."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace

import pytest

from bridge.errors import BadInput, PortUnavailable, Refused
from bridge.link.client import Adapter
from bridge.link.status import Status
from tui.commands import send as command
from tui.commands.send import LOOK_S, START_S, Follower
from tui.open_port import LEASE_S

SPEED = 50  # simulated seconds a second
DRIVE = ("drive", "west", "128", "counts")
YARD = f"sim://larkmere?speed={SPEED}"


def send(words, port=YARD, **options):
    return command.run(words.split(), port, **options)


@pytest.fixture
def frames(monkeypatch):
    """What is handed to the adapter, frames and stops."""
    sent = []

    def noting(name, note):
        original = getattr(Adapter, name)

        def method(self, *args, **options):
            sent.append(note(*args, **options))
            return original(self, *args, **options)

        monkeypatch.setattr(Adapter, name, method)

    noting("send", lambda data, reply_s=0.0: (data.hex().upper(), reply_s))
    noting("stop", lambda: "stop")
    return sent


def test_bytes_come_first_and_the_count_follows(capsys, frames):
    assert send("drive west 20 counts") == 0
    first, last = capsys.readouterr().out.splitlines()
    assert first.startswith("E0 31 69 EC  Drive west 20 counts")
    assert re.fullmatch("count 5[0-9]{2} -> 520", last)  # it moves by the time of the first look
    assert frames == [("E03169EC", 0.0), "stop"]  # leaving, the adapter is stopped for sure


def test_a_reply_is_read(capsys, frames):
    assert send("status") == 0
    out = capsys.readouterr().out
    assert "Positioner status: movement completed" in out
    assert frames == [("E23164", 0.2), "stop"]


def test_a_positioner_that_gives_no_reply_is_told_apart(capsys):
    assert send("raw E2 32 64") == 0
    assert capsys.readouterr().out.splitlines()[-1] == "no reply; a one-way positioner gives none"


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("stripped-coupling", "No counts at count 500 while the motor runs west"),
        ("supply-open", "no current and no counts"),
        ("jam", "Stalled at count 500"),
    ],
)
def test_a_drive_that_brings_no_counts_says_what_is_seen(capsys, fault, says):
    # Slow enough that a busy machine still gets to look while the motor has power.
    assert send("drive west 20 counts", port=f"sim://larkmere?speed=4&fault={fault}") == 0
    _, counts, remark = capsys.readouterr().out.splitlines()
    assert counts == "count 500 -> 500"
    assert says in remark


def test_a_dry_run_sends_nothing(capsys):
    assert send("goto 7", port="/dev/there-is-none", dry_run=True) == 0
    assert capsys.readouterr().out.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "port", "error", "says"),
    [
        ("drive west", "sim://", BadInput, "has no bound"),
        ("raw E0 31 69 00", "sim://", Refused, "without a bound"),
        ("raw 00 01 02 03 04 05 06 07 08", "sim://", BadInput, "9 bytes"),
        ("halt", "/dev/there-is-none", PortUnavailable, "there is no port"),
        ("drive west 1 count", "/dev/there-is-none", Refused, "say --clear"),
        ("goto 3", "/dev/there-is-none", Refused, "say --clear"),
        ("halt", "sim://nowhere", BadInput, "yard 'nowhere' is unknown"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(words, port, error, says):
    with pytest.raises(error, match=says) as caught:
        send(words, port=port)
    assert "\n" not in str(caught.value)


# ---- following a motion ------------------------------------------------------------------------

AT_REST = Status(100, 500, None, 24.0, 0.0, None, 13, False, 1.0, 0, 10.0)


class Scripted:
    """Gives one status after another, the last one for ever, each LOOK_S later."""

    def __init__(self, *statuses: Status) -> None:
        self.statuses = list(statuses)
        self.now_s = 0.0
        self.looks_s: list[float] = []
        self.stops = 0

    def status(self) -> Status:
        self.looks_s.append(self.now_s)
        status = self.statuses.pop(0) if len(self.statuses) > 1 else self.statuses[0]
        return replace(status, t_s=10.0 + self.now_s) if status.t_s else status

    def stop(self) -> None:
        self.stops += 1

    def sleep(self, dt_s: float) -> None:
        self.now_s += dt_s

    def follow(self, bound_s: float) -> str:
        follower = Follower(self, clock=lambda: self.now_s, sleep=self.sleep)
        return follower.follow(bound_s)


def moving(count: int) -> Status:
    return replace(AT_REST, pulses=count - 400, tally=count, moving="west", motor_a=1.4)


def at_rest(count: int) -> Status:
    return replace(AT_REST, pulses=count - 400, tally=count)


def test_the_motion_has_ended_when_nothing_moved_for_a_while():
    adapter = Scripted(at_rest(500), *map(moving, range(500, 510)), at_rest(510), at_rest(511))
    assert adapter.follow(30.0) == "count 500 -> 511"
    # Twelve looks to the last count, and as many as it takes to be sure.
    assert adapter.now_s == pytest.approx(11 * LOOK_S + START_S, abs=1.5 * LOOK_S)
    assert adapter.stops == 0


def test_a_motion_that_does_not_begin_is_waited_for_and_reported():
    adapter = Scripted(at_rest(500))
    assert adapter.follow(30.0) == "no motion seen, count 500"
    assert adapter.now_s == pytest.approx(START_S, abs=1.5 * LOOK_S)


def test_a_motion_that_outlasts_its_bound_is_stopped():
    adapter = Scripted(*map(moving, range(500, 1000)))
    assert adapter.follow(5.0) == "halted: still moving after 5 s, at count 552"
    assert adapter.stops == 1
    assert adapter.now_s == pytest.approx(5.0, abs=1.5 * LOOK_S)


def test_an_adapter_without_a_clock_is_timed_by_the_host():
    adapter = Scripted(*[replace(moving(count), t_s=0.0) for count in range(500, 1000)])
    assert adapter.follow(5.0).startswith("halted: still moving after 5 s")
    assert adapter.now_s == pytest.approx(5.0, abs=1.5 * LOOK_S)


def test_without_counts_the_lease_is_fed_for_as_long_as_the_drive_may_run(capsys):
    adapter = Scripted(replace(AT_REST, pulses=None, tally=None))
    assert adapter.follow(7.0) == (
        "sent, and halted after its time; no counts here, so whether it arrived is unknown"
    )
    assert capsys.readouterr().err == "no counts here: waiting 7 s, Ctrl-C halts\n"
    assert adapter.looks_s[-1] >= 7.0 - 1.5 * LOOK_S
    gaps_s = [b - a for a, b in zip(adapter.looks_s, adapter.looks_s[1:], strict=False)]
    assert max(gaps_s) < LEASE_S / 2


def test_a_terminal_sees_the_count_run(monkeypatch, capsys):
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    Scripted(at_rest(500), moving(501), moving(501), at_rest(502)).follow(30.0)
    assert capsys.readouterr().err == "\rcount 501   \rcount 502   \n"


# ---- as a process ------------------------------------------------------------------------------


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_interrupted_in_mid_move_it_halts_and_leaves_130(tmp_path):
    state = tmp_path / "state.json"
    port = f"sim://?speed=4&state={state}"
    # The state is saved more often than usual, so that the motion shows soon.
    program = "import sim.bench, tui.cli; sim.bench.SAVE_EVERY_S = 0.1; tui.cli.main()"
    child = subprocess.Popen(
        [sys.executable, "-c", program, "send", "--port", port, *DRIVE],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    child.stdout.readline()
    while not state.exists() or position_of(state) < 503:
        assert child.poll() is None
        time.sleep(0.02)
    child.send_signal(signal.SIGINT)
    _, diagnostics = child.communicate(timeout=20)
    assert child.returncode == 130
    assert diagnostics == "arcstep: interrupted\n"
    assert 503 <= position_of(state) < 628


def position_of(state) -> int:
    return json.loads(state.read_text())["positioner"]["positioner"]["count"]
