"""The command that puts a list back: its plan, its refusals, its results, read by programs too."""

from __future__ import annotations

import io
import json
import threading
from pathlib import Path

import pytest

from bridge.errors import BadInput, LinkLost, Refused
from bridge.link.client import Adapter
from tui.commands import restore
from tui.open_port import LEASE_S

ROOT = Path(__file__).parents[3]
SPEED = 200  # simulated seconds a second


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
def test_the_plan_in_json(station, journal, capsys, counts, limits):
    assert restore.run(station, "sim://", journal=journal, json=True, here=15) == 0
    first, *rows = map(json.loads, capsys.readouterr().out.splitlines())
    assert first["kind"] == "plan"
    assert first["travel_counts"] >= limits[1] - limits[0]
    assert first["proofs"] == [14, 15, 16]
    assert {row["number"]: row["count"] for row in rows if row["kind"] == "position"} == counts


@pytest.mark.usefixtures("no_port")
@pytest.mark.parametrize(
    ("options", "error", "says"),
    [
        ({"only": [3]}, BadInput, "position 3 is not in the list"),
        ({"here": 3}, BadInput, "--here 3: the list has no such position"),
        ({"here": 14, "as_read": True}, BadInput, "give one of them"),
        ({"go": True}, Refused, "say which count the dish stands at"),
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


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize("sure", [True, False])
def test_the_lease_is_fed_while_a_person_thinks(station, journal, start_state, monkeypatch, sure):
    """Unfed, the adapter would refuse the next frame after a lease."""
    feeding = []

    def think(question):
        feeding.extend(thread for thread in threading.enumerate() if thread.name == "lease")
        return sure

    monkeypatch.setattr("sys.stdin", Terminal())
    monkeypatch.setattr(restore, "_confirm", think)
    if sure:
        assert restore.run(station, start_state.url, journal=journal, go=True, only=[15]) == 0
        assert json.loads(journal.read_text())["reference"] == "count 860 as the port read it"
    else:
        with pytest.raises(Refused, match="the count is not known: peak the dish"):
            restore.run(station, start_state.url, journal=journal, go=True, only=[15])
    assert len(feeding) == 1
    assert not feeding[0].is_alive()


def test_feeding_goes_on_after_a_failed_look_and_ends_with_the_answer(monkeypatch):
    enough = threading.Event()
    looks = []

    class Adapter:
        def status(self):
            looks.append("look")
            if len(looks) == 3:
                enough.set()
            raise LinkLost("away for a moment")

    monkeypatch.setattr(restore, "FEED_S", 0.001)
    with restore._lease_fed(Adapter()):
        assert enough.wait(10)
    assert not any(thread.name == "lease" for thread in threading.enumerate())


def test_the_lease_is_fed_several_times_within_it():
    assert restore.FEED_S < LEASE_S / 3


@pytest.mark.parametrize("answer", ["yes\n", "Y\n", "no\n", "\n", ""])
def test_only_yes_is_a_yes(monkeypatch, capsys, answer):
    monkeypatch.setattr("sys.stdin", Terminal(answer))
    assert restore._confirm("Is that right?") is (answer.strip().lower() in ("y", "yes"))
    assert capsys.readouterr().err == "Is that right? Type yes: "


@pytest.mark.parametrize("how", [KeyboardInterrupt, SystemExit])
def test_interrupted_it_says_so_halts_and_leaves_130(
    station, start_state, monkeypatch, capsys, how
):
    journal = station.with_name("journal.json")
    send = Adapter.send

    def interrupt(self, data, *, reply_s=0.0):
        sent = send(self, data, reply_s=reply_s)
        if data[2] == 0x68:  # drive east
            raise how
        return sent

    monkeypatch.setattr(Adapter, "send", interrupt)
    assert restore.run(station, start_state.url, journal=journal, go=True, as_read=True) == 130
    assert capsys.readouterr().err == (
        "arcstep: interrupted, and the motor halted; what was put back is in the journal, and the "
        "same command goes on from there\n"
    )
    assert start_state.memory["limits"]["on"]
    assert abs(start_state.memory["count"] - 860) <= 10  # one short drive and its coast
    assert json.loads(journal.read_text())["boot"] is not None


def test_a_port_without_counts_is_refused_with_the_way_round(station, journal, monkeypatch):
    class Uncounted:
        class greeting:  # noqa: N801
            capabilities = frozenset({"supply"})

        closed = False

        def close(self):
            Uncounted.closed = True

    monkeypatch.setattr(restore, "open_adapter", lambda port: Uncounted())
    with pytest.raises(Refused, match=r"sends no counts .pulses, tally missing.*in the console"):
        restore.run(station, "sim://", journal=journal, go=True, as_read=True)
    assert Uncounted.closed


def test_the_result_in_json(station, start_state, journal, capsys, counts):
    code = restore.run(station, start_state.url, go=True, as_read=True, journal=journal, json=True)
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert code == 0
    assert rows[-1] == {
        "kind": "summary", "finished": True, "proved": 5, "sent": 0, "failed": 0, "not_tried": 0,
    }  # fmt: skip
    assert {row["number"]: row["state"] for row in rows if row["kind"] == "position"} == (
        dict.fromkeys(counts, "proved")
    )
    assert start_state.list == counts


def test_some_positions_only_leave_the_rest_and_the_limits(station, start_state, journal, capsys):
    content = json.loads(start_state.path.read_text())
    content["positioner"]["positioner"]["positions"] = {"14": 111, "16": 222}
    start_state.path.write_text(json.dumps(content))
    assert (
        restore.run(station, start_state.url, go=True, as_read=True, journal=journal, only=[15])
        == 0
    )
    assert start_state.list == {14: 111, 15: 857, 16: 222}
    assert start_state.memory["limits"]["east"] is None
    assert "Proved by returning: 15 P15." in capsys.readouterr().out


def test_a_proof_that_fails_is_exit_1_and_done_again(station, start_state, journal, capsys, counts):
    yard = station.with_name("small.toml")
    text = (ROOT / "sim" / "yards" / "larkmere.toml").read_text(encoding="utf-8")
    yard.write_text(text.replace("[positioner]", "[positioner]\nmost_positions = 15", 1))
    small = f"sim://{yard}?speed={SPEED}"
    assert restore.run(station, small, go=True, as_read=True, journal=journal) == 1
    out = capsys.readouterr().out
    assert "FAILED the proof: 16 P16." in out
    assert "run it again to redo that part" in out
    # The same list through another positioner, which holds them all.
    with pytest.raises(Refused, match="the adapter has restarted since"):
        restore.run(station, start_state.url, go=True, journal=journal)
    assert restore.run(station, start_state.url, go=True, here_count=860, journal=journal) == 0
    assert start_state.list == counts


def test_a_changed_list_starts_afresh_and_says_so(station, start_state, journal, capsys):
    assert (
        restore.run(station, start_state.url, go=True, as_read=True, journal=journal, only=[15])
        == 0
    )
    content = json.loads(journal.read_text()) | {"finished": False}
    journal.write_text(json.dumps(content))
    station.write_text(station.read_text().replace("count = 857", "count = 850"))
    assert (
        restore.run(station, start_state.url, go=True, as_read=True, journal=journal, only=[15])
        == 0
    )
    assert "has changed since the last session; this begins anew" in capsys.readouterr().err
    assert start_state.list[15] == 850


def test_a_finished_one_begins_anew_and_says_so(station, start_state, journal, capsys):
    for _ in range(2):
        assert (
            restore.run(station, start_state.url, go=True, as_read=True, journal=journal, only=[15])
            == 0
        )
    assert "the last restoration was finished; this begins anew" in capsys.readouterr().err


def test_a_lost_link_says_that_it_goes_on(station, start_state, journal, monkeypatch):
    send = Adapter.send

    def breaking(self, data, *, reply_s=0.0):
        if data[2] == 0x6A:
            raise LinkLost(f"the port {start_state.url} went away")
        return send(self, data, reply_s=reply_s)

    monkeypatch.setattr(Adapter, "send", breaking)
    with pytest.raises(LinkLost, match=r"went away; .* the same command goes on from there"):
        restore.run(station, start_state.url, go=True, as_read=True, journal=journal)
    assert json.loads(journal.read_text())["entries"].keys() == {"limit east"}
