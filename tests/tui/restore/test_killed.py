"""The restoring command killed, interrupted and cut off for real, and run again."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bridge.link.client import Adapter

ROOT = Path(__file__).parents[3]
SPEED = 200  # simulated seconds a second, as in the state's URL
# The command line turns a termination into an ordinary way out; so does this.
CHILD = """\
import json, signal, sys
from pathlib import Path
from bridge.errors import ArcstepError
from tui.cli import _terminate
signal.signal(signal.SIGINT, signal.default_int_handler)  # as main() does
from tui.commands import restore
restore.LOOK_S = PACE  # a served yard is as fast as one in this process
signal.signal(signal.SIGTERM, _terminate)
station, port, journal, words = sys.argv[1:]
try:
    words = {"go": True, "clear": True, "journal": Path(journal)} | json.loads(words)
    code = restore.run(Path(station), port, **words)
except ArcstepError as error:
    print(f"arcstep: {error}", file=sys.stderr)
    code = error.exit_code
sys.exit(code)
""".replace("PACE", str(0.1 / SPEED))


class Session:
    """The command as a child of its own, on one station, port and journal."""

    def __init__(self, station: Path, port: str, journal: Path) -> None:
        self.words = [str(station), port, str(journal)]
        self.children: list[subprocess.Popen[str]] = []

    def start(self, **options: object) -> subprocess.Popen[str]:
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, *self.words, json.dumps(options)],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )
        self.children.append(child)
        return child

    def run(self, **options: object) -> tuple[int, str, str]:
        child = self.start(**options)
        out, diagnostics = child.communicate(timeout=60)
        return child.returncode, out, diagnostics

    def break_off(self, how: int, line: str, wait_s: float, **options: object) -> tuple[int, str]:
        """Start it and send it a signal so long after it has printed a line."""
        child = self.start(**options)
        assert child.stdout is not None
        for told in child.stdout:
            if line in told:
                break
        time.sleep(wait_s)
        child.send_signal(how)
        _, diagnostics = child.communicate(timeout=20)
        return child.returncode, diagnostics

    def end(self) -> None:
        for child in self.children:
            if child.poll() is None:
                child.kill()
                child.communicate()


@pytest.fixture
def session(station, tmp_path):
    made: list[Session] = []

    def make(port: str, journal: str = "journal.json") -> Session:
        made.append(Session(station, port, tmp_path / journal))
        return made[-1]

    yield make
    for one in made:
        one.end()


@pytest.fixture
def served(kept):
    """A simulated adapter in a process of its own, that outlives who drives it."""
    server = subprocess.Popen(
        [sys.executable, "-m", "tui.cli", "serve", "--tcp", "0", "--url", kept.url],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    port = server.stdout.readline().strip()
    server.url = port
    yield server
    if server.poll() is None:
        server.terminate()
        server.communicate(timeout=10)


# ---- killed ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "at",
    [
        ("switched off", 0.15),
        ("stored position 14", 0.02),
        ("set west limit", 0.02),
        ("proved position 16", 0.0),
    ],
)
@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is not there on Windows")
def test_killed_and_run_again_it_ends_with_the_same_list(session, served, kept, counts, at):
    one = session(served.url)
    code, _ = one.break_off(signal.SIGKILL, *at, as_read=True)
    assert code == -signal.SIGKILL
    time.sleep(0.05)  # 10 simulated seconds
    code, out, diagnostics = one.run(as_read=not Path(one.words[2]).exists())
    assert code == 0, diagnostics
    assert "Proved by returning" in out
    served.terminate()
    served.communicate(timeout=10)
    assert kept.list == counts
    assert kept.memory["limits"] == {"east": 790, "west": 960, "on": True}
    assert not kept.memory["lost"]


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is not there on Windows")
def test_killed_twice_in_a_row_it_still_ends_with_the_same_list(session, served, kept, counts):
    one = session(served.url)
    one.break_off(signal.SIGKILL, "set east limit", 0.03, as_read=True)
    one.break_off(signal.SIGKILL, "stored position 15", 0.03)
    code, _, diagnostics = one.run()
    assert code == 0, diagnostics
    served.terminate()
    served.communicate(timeout=10)
    assert kept.list == counts


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is not there on Windows")
def test_when_the_adapter_goes_down_with_it_the_count_is_to_be_proved(session, kept, counts):
    """The simulated adapter lives in the command's own process: a kill takes its power away."""
    one = session(kept.url)
    one.break_off(signal.SIGKILL, "stored position 14", 0.0, as_read=True)
    code, _, diagnostics = one.run()
    assert code == 1
    assert "the count may be lost: the adapter has restarted since" in diagnostics
    assert "say --here with its number" in diagnostics
    assert "Traceback" not in diagnostics
    code, _, diagnostics = one.run(as_read=True)
    assert code == 1  # what the port reads proves nothing after that
    # Somebody stands the dish at a known place: here the state tells where the metal is.
    truth = round(kept.read()["dish"]["actuator"])
    off = kept.memory["count"] - truth
    code, _, diagnostics = one.run(here_count=truth)
    assert code == 0, diagnostics
    assert "put back anew" in diagnostics
    shifts = {count - counts[number] for number, count in kept.list.items()}
    assert kept.list.keys() == counts.keys()
    # The positioner's own count may be off by what it missed; the places are the same to a count.
    assert all(abs(shift - off) <= 1 for shift in shifts)


# ---- interrupted, and cut off ------------------------------------------------------------------


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_interrupted_it_halts_and_goes_on_later(session, served, kept, counts, how):
    one = session(served.url)
    code, diagnostics = one.break_off(how, "set east limit", 0.05, as_read=True)
    assert code == 130, diagnostics
    assert "interrupted, and the motor halted" in diagnostics
    assert "Traceback" not in diagnostics
    with Adapter.open(served.url) as adapter:
        before = adapter.status()
        time.sleep(0.05)
        after = adapter.status()
    assert after.moving is None
    assert abs((after.tally or 0) - (before.tally or 0)) <= 4  # the coast
    code, _, diagnostics = one.run()
    assert code == 0, diagnostics
    served.terminate()
    served.communicate(timeout=10)
    assert kept.list == counts


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is not there on Windows")
def test_a_port_that_goes_away_is_one_sentence_and_exit_3(session, served):
    one = session(served.url)
    child = one.start(as_read=True)
    for told in child.stdout:
        if "set east limit" in told:
            break
    served.kill()
    served.communicate(timeout=10)
    _, diagnostics = child.communicate(timeout=20)
    assert child.returncode == 3
    last = diagnostics.strip().splitlines()[-1]
    assert last.startswith("arcstep: ")
    assert "the same command goes on from there" in last
    assert "Traceback" not in diagnostics
    assert json.loads(Path(one.words[2]).read_text())["entries"]
