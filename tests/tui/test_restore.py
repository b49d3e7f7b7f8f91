"""The command that puts a list back: killed for real, interrupted, refused, and read by programs.

Nothing here waits for simulated time at its own pace: the yard runs a few hundred times as fast.
"""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bridge.errors import BadInput, LinkLost, Refused
from bridge.link.adapter import Adapter
from sim.yard import load_yard
from tui.commands import restore

ROOT = Path(__file__).parents[2]
SPEED = 200  # simulated seconds a second
NUMBERS = (14, 15, 16)
LIMITS = (790, 960)
# The command line turns a termination into an ordinary way out; so does this.
CHILD = """\
import json, signal, sys
from pathlib import Path
from bridge.errors import ArcstepError
from tui.cli import _terminate
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


@pytest.fixture(scope="module")
def counts():
    taught = load_yard("larkmere").taught_counts()
    return {number: taught[number] for number in NUMBERS}


@pytest.fixture
def station(tmp_path, counts):
    """A short list in the west of the demo yard."""
    text = (
        '[station]\nname = "a yard"\nlatitude_deg = 44.60\nlongitude_deg = 3.90\n\n'
        f"[limits]\neast = {LIMITS[0]}\nwest = {LIMITS[1]}\n\n"
        '[positioner]\napproach = "west"\n'
    )
    for number, count in counts.items():
        text += f'\n[[position]]\nnumber = {number}\nname = "P{number}"\ncount = {count}\n'
    path = tmp_path / "station.toml"
    path.write_text(text, encoding="utf-8")
    return path


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
def served(tmp_path):
    """A simulated adapter in a process of its own, that outlives who drives it."""
    state = tmp_path / "served.json"
    _start_at(state, 860)
    url = f"sim://larkmere?speed={SPEED}&state={state}"
    server = subprocess.Popen(
        [sys.executable, "-m", "tui.cli", "serve", "--tcp", "0", "--url", url],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    port = server.stdout.readline().strip()
    server.state = state
    server.url = port
    yield server
    if server.poll() is None:
        server.terminate()
        server.communicate(timeout=10)


def _start_at(state: Path, count: int) -> None:
    """A state file of a dish that stands at a count, with nothing in its positioner."""
    from sim.bench import StateFile
    from sim.rig.dish import Dish

    yard = load_yard("larkmere")
    yard = yard.model_copy(update={"start": yard.start.model_copy(update={"count": count})})
    StateFile(state, "larkmere").save(Dish(yard).dump(), 1)


def _kept(state: Path) -> dict:
    return json.loads(state.read_text(encoding="utf-8"))["positioner"]["positioner"]


def _list_of(kept: dict) -> dict[int, int]:
    return {int(number): count for number, count in kept["positions"].items()}


def _in_process(tmp_path, count=860):
    state = tmp_path / "state.json"
    _start_at(state, count)
    return f"sim://larkmere?speed={SPEED}&state={state}", state


# ---- killed ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "wait_s"),
    [
        ("switched off", 0.15),
        ("stored position 14", 0.02),
        ("set west limit", 0.02),
        ("proved position 16", 0.0),
    ],
)
@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is not there on Windows")
def test_killed_and_run_again_it_ends_with_the_same_list(session, served, counts, line, wait_s):
    one = session(served.url)
    code, _ = one.break_off(signal.SIGKILL, line, wait_s, as_read=True)
    assert code == -signal.SIGKILL
    time.sleep(0.05)  # 10 simulated seconds
    code, out, diagnostics = one.run(as_read=not Path(one.words[2]).exists())
    assert code == 0, diagnostics
    assert "Proved by returning" in out
    served.terminate()
    served.communicate(timeout=10)
    kept = _kept(served.state)
    assert _list_of(kept) == counts
    assert kept["limits"] == {"east": LIMITS[0], "west": LIMITS[1], "on": True}
    assert not kept["lost"]


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is not there on Windows")
def test_killed_twice_in_a_row_it_still_ends_with_the_same_list(session, served, counts):
    one = session(served.url)
    one.break_off(signal.SIGKILL, "set east limit", 0.03, as_read=True)
    one.break_off(signal.SIGKILL, "stored position 15", 0.03)
    code, _, diagnostics = one.run()
    assert code == 0, diagnostics
    served.terminate()
    served.communicate(timeout=10)
    assert _list_of(_kept(served.state)) == counts


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is not there on Windows")
def test_when_the_adapter_goes_down_with_it_the_count_is_to_be_proved(session, tmp_path, counts):
    """The simulated adapter lives in the command's own process: a kill takes its power away."""
    port, state = _in_process(tmp_path)
    one = session(port)
    one.break_off(signal.SIGKILL, "stored position 14", 0.0, as_read=True)
    code, _, diagnostics = one.run()
    assert code == 1
    assert "the count may be lost: the adapter has restarted since" in diagnostics
    assert "say --here with its number" in diagnostics
    assert "Traceback" not in diagnostics
    code, _, diagnostics = one.run(as_read=True)
    assert code == 1  # what the port reads proves nothing after that
    # Somebody stands the dish at a known place: here the state tells where the metal is.
    truth = round(json.loads(state.read_text(encoding="utf-8"))["positioner"]["dish"]["actuator"])
    off = _kept(state)["count"] - truth
    code, _, diagnostics = one.run(here_count=truth)
    assert code == 0, diagnostics
    assert "put back anew" in diagnostics
    kept = _kept(state)
    shifts = {count - counts[number] for number, count in _list_of(kept).items()}
    assert set(_list_of(kept)) == set(counts)
    # The positioner's own count may be off by what it missed; the places are the same to a count.
    assert all(abs(shift - off) <= 1 for shift in shifts)


# ---- interrupted, and cut off ------------------------------------------------------------------


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_interrupted_it_halts_and_goes_on_later(session, served, counts, how):
    one = session(served.url)
    code, diagnostics = one.break_off(how, "set east limit", 0.05, as_read=True)
    assert code == 130
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
    assert _list_of(_kept(served.state)) == counts


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


# ---- in this process ---------------------------------------------------------------------------


@pytest.fixture
def journal(tmp_path):
    return tmp_path / "journal.json"


@pytest.fixture
def no_port(monkeypatch):
    def refuse(port):
        raise AssertionError(f"{port} was opened")

    monkeypatch.setattr(restore, "open_adapter", refuse)


@pytest.mark.usefixtures("no_port")
def test_without_go_it_shows_the_plan_and_opens_nothing(station, journal, capsys):
    assert restore.run(station, "sim://", journal=journal) == 0
    out = capsys.readouterr().out
    assert "To put back: 3 positions and both limits." in out
    assert "arriving westward" in out
    assert "say --go to begin" in out
    rows = [line.split() for line in out.splitlines() if line.endswith("to do")]
    assert [row[1] for row in rows] == ["limit", "14", "15", "16", "limit"]
    assert not journal.exists()
    assert all(len(line) <= 80 for line in out.splitlines())


@pytest.mark.usefixtures("no_port")
def test_the_plan_in_json(station, journal, capsys, counts):
    assert restore.run(station, "sim://", journal=journal, json=True, here=15) == 0
    first, *rows = map(json.loads, capsys.readouterr().out.splitlines())
    assert first["kind"] == "plan"
    assert first["travel_counts"] >= LIMITS[1] - LIMITS[0]
    assert first["proofs"] == [14, 15, 16]
    assert {row["number"]: row["count"] for row in rows if row["kind"] == "position"} == counts


@pytest.mark.usefixtures("no_port")
@pytest.mark.parametrize(
    ("options", "error", "says"),
    [
        ({"only": [3]}, BadInput, "position 3 is not in the list"),
        ({"here": 3}, BadInput, "--here 3: the list has no such position"),
        ({"here": 14, "as_read": True}, BadInput, "give one of them"),
        ({"go": True}, Refused, "nothing tells which count the dish stands at"),
    ],
)
def test_what_cannot_be_is_told_before_a_port_is_opened(station, monkeypatch, options, error, says):
    monkeypatch.setattr("sys.stdin", io.StringIO())
    with pytest.raises(error, match=says):
        restore.run(station, "sim://", journal=station.with_name("none.json"), **options)


@pytest.mark.usefixtures("no_port")
def test_a_real_dish_has_to_be_clear_first(station, journal, monkeypatch, capsys):
    monkeypatch.setattr("sys.stdin", io.StringIO())
    with pytest.raises(Refused, match="say --clear once the dish is clear"):
        restore.run(station, "/dev/ttyACM9", journal=journal, go=True, as_read=True)
    assert "keep people, ladders and hands clear" in capsys.readouterr().err


def test_a_port_without_counts_is_refused_with_the_way_round(station, journal, monkeypatch):
    class Uncounted:
        class greeting:  # noqa: N801
            capabilities = frozenset({"supply"})

        closed = False

        def close(self):
            Uncounted.closed = True

    monkeypatch.setattr(restore, "open_adapter", lambda port: Uncounted())
    with pytest.raises(Refused, match=r"tells no counts .pulses, tally missing.*in the console"):
        restore.run(station, "sim://", journal=journal, go=True, as_read=True)
    assert Uncounted.closed


def test_the_result_in_json(station, tmp_path, journal, capsys, counts):
    port, state = _in_process(tmp_path)
    told = restore.run(station, port, go=True, as_read=True, journal=journal, json=True)
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert told == 0
    assert rows[-1] == {
        "kind": "summary", "finished": True, "proved": 5, "sent": 0, "failed": 0, "not_tried": 0,
    }  # fmt: skip
    assert {row["number"]: row["state"] for row in rows if row["kind"] == "position"} == (
        dict.fromkeys(counts, "proved")
    )
    assert _list_of(_kept(state)) == counts


def test_some_positions_only_leave_the_rest_and_the_limits(station, tmp_path, journal, capsys):
    port, state = _in_process(tmp_path)
    kept = json.loads(state.read_text())
    kept["positioner"]["positioner"]["positions"] = {"14": 111, "16": 222}
    state.write_text(json.dumps(kept))
    assert restore.run(station, port, go=True, as_read=True, journal=journal, only=[15]) == 0
    assert _list_of(_kept(state)) == {14: 111, 15: 857, 16: 222}
    assert _kept(state)["limits"]["east"] is None
    assert "Proved by returning: 15 P15." in capsys.readouterr().out


def test_a_proof_that_fails_is_exit_1_and_done_again(station, tmp_path, journal, capsys, counts):
    port, state = _in_process(tmp_path)
    yard = tmp_path / "small.toml"
    text = (ROOT / "sim" / "yards" / "larkmere.toml").read_text(encoding="utf-8")
    yard.write_text(text.replace("[positioner]", "[positioner]\nmost_positions = 15", 1))
    small = f"sim://{yard}?speed={SPEED}"
    assert restore.run(station, small, go=True, as_read=True, journal=journal) == 1
    out = capsys.readouterr().out
    assert "FAILED the proof: 16 P16." in out
    assert "run it again to redo that part" in out
    # The same list through another positioner, which holds them all.
    with pytest.raises(Refused, match="the adapter has restarted since"):
        restore.run(station, port, go=True, journal=journal)
    assert restore.run(station, port, go=True, here_count=860, journal=journal) == 0
    assert _list_of(_kept(state)) == counts


def test_a_changed_list_starts_afresh_and_says_so(station, tmp_path, journal, capsys):
    port, state = _in_process(tmp_path)
    assert restore.run(station, port, go=True, as_read=True, journal=journal, only=[15]) == 0
    told = json.loads(journal.read_text()) | {"finished": False}
    journal.write_text(json.dumps(told))
    station.write_text(station.read_text().replace("count = 857", "count = 850"))
    assert restore.run(station, port, go=True, as_read=True, journal=journal, only=[15]) == 0
    assert "has changed since the last session; this begins anew" in capsys.readouterr().err
    assert _list_of(_kept(state))[15] == 850


def test_a_finished_one_begins_anew_and_says_so(station, tmp_path, journal, capsys):
    port, _ = _in_process(tmp_path)
    for _ in range(2):
        assert restore.run(station, port, go=True, as_read=True, journal=journal, only=[15]) == 0
    assert "the last restoration was finished; this begins anew" in capsys.readouterr().err


def test_a_lost_link_says_that_it_goes_on(station, tmp_path, journal, monkeypatch):
    port, _ = _in_process(tmp_path)
    send = Adapter.send

    def breaking(self, octets, *, reply_s=0.0):
        if octets[2] == 0x6A:
            raise LinkLost(f"the port {port} went away")
        return send(self, octets, reply_s=reply_s)

    monkeypatch.setattr(Adapter, "send", breaking)
    with pytest.raises(LinkLost, match=r"went away; .* the same command goes on from there"):
        restore.run(station, port, go=True, as_read=True, journal=journal)
    assert json.loads(journal.read_text())["entries"].keys() == {"limit east"}
