"""The restoring command killed, interrupted and cut off for real, and run again.

What is left at every single step of it is tested without processes, in bridge/restore.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bridge.errors import LinkLost, Refused
from bridge.link.client import Adapter
from tui.commands import restore

ROOT = Path(__file__).parents[3]
SPEED = 200  # simulated seconds a second, as in the state's URL
LOOK_S = 0.1 / SPEED  # s: a served yard is as fast as one in this process
# The command line turns a termination into an ordinary way out; so does this.
CHILD = f"""\
import json, signal, sys
from pathlib import Path
from bridge.errors import ArcstepError
from tui.cli import _terminate
signal.signal(signal.SIGINT, signal.default_int_handler)  # as main() does
from tui.commands import restore
restore.LOOK_S = {LOOK_S}
signal.signal(signal.SIGTERM, _terminate)
station, port, journal = sys.argv[1:]
try:
    code = restore.run(
        Path(station), port, go=True, clear=True, journal=Path(journal), as_read=True
    )
except ArcstepError as error:
    print(f"arcstep: {{error}}", file=sys.stderr)
    code = error.exit_code
sys.exit(code)
"""

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")


class Session:
    """The command on one station, port and journal: as a child that is broken off, and here."""

    def __init__(self, station: Path, port: str, journal: Path) -> None:
        self.station, self.port, self.journal = station, port, journal
        self.children: list[subprocess.Popen[str]] = []

    def run(self, **options: object) -> int:
        return restore.run(
            self.station, self.port, journal=self.journal, go=True, clear=True, **options
        )

    def break_off(self, how: int, line: str, wait_s: float) -> tuple[int, str]:
        """Start it and send it a signal so long after it has printed a line."""
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(self.station), self.port, str(self.journal)],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )
        self.children.append(child)
        assert child.stdout is not None
        for printed in child.stdout:
            if line in printed:
                break
        time.sleep(wait_s)
        child.send_signal(how)
        _, diagnostics = child.communicate(timeout=60)
        return child.returncode, diagnostics

    def end(self) -> None:
        for child in self.children:
            if child.poll() is None:
                child.kill()
                child.communicate()


@pytest.fixture
def session(station, tmp_path, monkeypatch):
    made: list[Session] = []
    monkeypatch.setattr(restore, "LOOK_S", LOOK_S)

    def make(port: str) -> Session:
        made.append(Session(station, port, tmp_path / "journal.json"))
        return made[-1]

    yield make
    for one in made:
        one.end()


@pytest.fixture
def served(start_state):
    """A simulated adapter in a process of its own, that outlives who drives it."""
    server = subprocess.Popen(
        [sys.executable, "-m", "tui.cli", "serve", "--tcp", "0", "--url", start_state.url],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    server.url = server.stdout.readline().strip()
    yield server
    if server.poll() is None:
        server.terminate()
        server.communicate(timeout=60)


def test_killed_and_run_again_it_ends_with_the_same_list(
    session, served, start_state, counts, capsys
):
    one = session(served.url)
    code, _ = one.break_off(signal.SIGKILL, "stored position 14", 0.02)
    assert code == -signal.SIGKILL
    assert "position 14" in json.loads(one.journal.read_text())["entries"]
    assert one.run() == 0
    printed = capsys.readouterr()
    assert "that are set already" in printed.err
    assert "Proved by returning" in printed.out
    served.terminate()
    served.communicate(timeout=60)
    assert start_state.list == counts
    assert start_state.memory["limits"] == {"east": 790, "west": 960, "on": True}
    assert not start_state.memory["lost"]


def test_when_the_adapter_goes_down_with_it_the_count_is_to_be_proved(
    session, start_state, counts, monkeypatch, capsys
):
    """The simulated adapter lives in the command's own process: a kill takes its power away."""
    one = session(start_state.url)
    monkeypatch.setattr(restore, "LOOK_S", 0.1)  # this port paces its looks by itself
    one.break_off(signal.SIGKILL, "stored position 14", 0.0)
    for unproved in ({}, {"as_read": True}):  # what the port reads proves nothing after that
        with pytest.raises(Refused, match=r"restarted since.*say --here with its number"):
            one.run(**unproved)
    # Somebody stands the dish at a known place: here the state tells where the metal is.
    truth = round(start_state.read()["dish"]["actuator"])
    off = start_state.memory["count"] - truth
    assert one.run(here_count=truth) == 0
    assert "what was set before is put back anew" in capsys.readouterr().err
    shifts = {count - counts[number] for number, count in start_state.list.items()}
    assert start_state.list.keys() == counts.keys()
    # The positioner's own count may be off by what it missed; the places are the same to a count.
    assert all(abs(shift - off) <= 1 for shift in shifts)


def test_interrupted_it_halts_and_goes_on_later(session, served, start_state, counts):
    one = session(served.url)
    code, diagnostics = one.break_off(signal.SIGTERM, "set east limit", 0.05)
    assert code == 130, diagnostics
    assert "interrupted, and the motor halted" in diagnostics
    assert "Traceback" not in diagnostics
    with Adapter.open(served.url) as adapter:
        before = adapter.status()
        time.sleep(0.05)
        after = adapter.status()
    assert after.moving is None
    assert abs((after.tally or 0) - (before.tally or 0)) <= 4  # the coast
    assert one.run() == 0
    served.terminate()
    served.communicate(timeout=60)
    assert start_state.list == counts


def test_a_port_that_goes_away_is_one_sentence_that_says_how_to_go_on(session, served, monkeypatch):
    one = session(served.url)
    send = Adapter.send

    def cut_before_the_first_store(self, data, *, reply_s=0.0):
        if data[2] == 0x6A and served.poll() is None:
            served.kill()
            served.communicate(timeout=60)
        return send(self, data, reply_s=reply_s)

    monkeypatch.setattr(Adapter, "send", cut_before_the_first_store)
    with pytest.raises(LinkLost, match=r"the same command goes on from there$") as caught:
        one.run(as_read=True)
    assert caught.value.exit_code == 3
    assert "\n" not in str(caught.value)
    assert json.loads(one.journal.read_text())["entries"].keys() == {"limit east"}
