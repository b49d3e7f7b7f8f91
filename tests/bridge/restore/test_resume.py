"""Broken off at every step and taken up again: the same list is in the positioner in the end."""

from __future__ import annotations

import os

import pytest

from bridge.errors import LinkLost
from bridge.restore.journal import Journal, JournalEntry, JournalFile
from bridge.restore.plan import plan_of
from bridge.restore.reference import doubts
from bridge.restore.runner import Runner
from bridge.restore.steps import Restoration
from sim.rig.dish import Dish

FEW = (15, 16)
LIMITS = (845, 955)  # close by, so that a session is short
START = 890  # count
EVERY_LOOK = 31  # every so many looks the link breaks as well
LOOK_S = 0.4  # s
LIMITS_OFF, LIMITS_ON = "E03163", "E0316A00"  # Positioner Application Note (from memory)
SWITCH_ON = ("66", "67", "6A")  # limit set, position stored: both switch the limits on (same)


@pytest.fixture(autouse=True)
def _no_waiting_for_the_disk(monkeypatch):
    monkeypatch.setattr(os, "fsync", lambda handle: None)


@pytest.fixture
def fresh_bus(larkmere, instant_bus):
    """A bus on a new dish that stands among the positions."""
    yard = larkmere.model_copy(update={"start": larkmere.start.model_copy(update={"count": START})})
    return lambda: instant_bus(Dish(yard))


@pytest.fixture
def plan(station):
    return plan_of(station(*FEW, limits=LIMITS))


class _Killed(BaseException):
    """The program is gone: nothing of it runs any more."""


class DeadRunner(Runner):
    """A runner that dies with its program: no stop, no limits, no last save."""

    def _break_off(self, restoration):
        return


def _session(bus, plan, file, make=Runner):
    """As the command does it: what the journal says counts, where the count is not in doubt."""
    journal = file.load()
    if journal is None:
        journal = Journal(plan.fingerprint)
    elif journal.entries:
        journal.begin_session()
    bus.heard.clear()  # a greeting begins a session: earlier events are nobody's
    seen_pulses, seen_tally = bus.dish.pulses, bus.dish.tally
    if journal.boot is not None:
        assert not doubts(journal, boot=1, pulses=seen_pulses, tally=seen_tally, flags=None)
    restoration = Restoration(plan, journal, two_way=True)
    make(bus, sleep=bus.sleep, look_s=LOOK_S, save=file.save).run(restoration)
    return journal


def _assert_all_entries_are_true(bus, journal):
    """What a journal says is set is in the positioner."""
    memory = bus.dish.positioner.memory
    there = {f"position {number}": count for number, count in memory.positions.items()}
    there |= {"limit east": memory.east, "limit west": memory.west}
    for key, entry in journal.entries.items():
        assert there[key] == entry.count, key


def _broken(bus, plan, path, make):
    """A session whose link breaks, and another one after it."""
    with pytest.raises(LinkLost):
        _session(bus, plan, JournalFile(path), make)
    bus.lapse()
    assert bus.dish.machine.drive == 0
    _assert_all_entries_are_true(bus, JournalFile(path).load() or Journal(plan.fingerprint))
    return _session(bus, plan, JournalFile(path))


def _calls(bus, plan, folder):
    """Which calls of a whole session send something, and how many calls there are."""
    sends = []
    send = bus.send

    def noting(data, *, reply_s=0.0):
        sends.append(bus.calls + 1)
        return send(data, reply_s=reply_s)

    bus.send = noting
    _session(bus, plan, JournalFile(folder / "whole.json"))
    return sends, bus.calls


@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
@pytest.mark.parametrize("make", [Runner, DeadRunner], ids=["cut off", "killed"])
def test_it_goes_on_after_a_break_at_any_step(fresh_bus, plan, tmp_path, after, make):
    sends, calls = _calls(fresh_bus(), plan, tmp_path)
    assert len(sends) >= 20
    looks = range(1, calls, EVERY_LOOK) if make is Runner and not after else ()
    for call in sorted({*sends, *looks}):
        bus = fresh_bus()
        bus.breaks_at, bus.breaks_after = call, after
        journal = _broken(bus, plan, tmp_path / f"{call}.json", make)
        memory = bus.dish.positioner.memory
        counts = {target.what: target.count for target in plan.positions}
        assert (memory.positions, memory.east, memory.west) == (counts, *LIMITS), call
        assert memory.limits_on
        assert journal.finished
        assert bus.dish.count_error == 0


def _limits_off(frames):
    """Whether the last frame that switches a positioner's limits switched them off."""
    switches = [frame for frame in frames if frame[4:] == LIMITS_OFF[4:] or frame[4:6] in SWITCH_ON]
    return bool(switches) and switches[-1][4:] == LIMITS_OFF[4:]


def test_interrupted_at_any_frame_it_stops_the_motor_and_leaves_the_limits_on(
    fresh_bus, plan, tmp_path
):
    sends, _ = _calls(fresh_bus(), plan, tmp_path)
    for nth in range(1, len(sends) + 1):
        bus = fresh_bus()

        def interrupt(_, bus=bus, nth=nth):
            if len(bus.frames) == nth and "stop" not in bus.log:
                raise KeyboardInterrupt

        file = JournalFile(tmp_path / f"interrupted-{nth}.json")
        journal = Journal(plan.fingerprint)
        restoration = Restoration(plan, journal, two_way=True)
        with pytest.raises(KeyboardInterrupt):
            Runner(bus, sleep=bus.sleep, look_s=LOOK_S, save=file.save, report=interrupt).run(
                restoration
            )
        # Both before and after the frame, since its confirmation was not taken in any more.
        off = _limits_off(bus.frames[: nth - 1]) or _limits_off(bus.frames[:nth])
        assert bus.log[nth:] == ["stop", *[LIMITS_ON] * off], nth
        assert bus.dish.machine.drive == 0
        assert bus.dish.positioner.memory.limits_on
        saved = file.load()
        assert saved == journal
        _assert_all_entries_are_true(bus, saved)


def test_it_goes_on_after_a_kill_at_any_save(fresh_bus, plan, tmp_path):
    counts = {target.what: target.count for target in plan.positions}
    for deadly in range(1, 7):
        for before in (False, True):
            bus = fresh_bus()
            file = JournalFile(tmp_path / f"{deadly}-{before}.json")
            saves = 0

            def save(journal, file=file, deadly=deadly, before=before):
                nonlocal saves
                saves += 1
                if saves == deadly and before:
                    raise _Killed
                file.save(journal)
                if saves == deadly:
                    raise _Killed

            restoration = Restoration(plan, Journal(plan.fingerprint), two_way=True)
            with pytest.raises(_Killed):
                DeadRunner(bus, sleep=bus.sleep, look_s=LOOK_S, save=save).run(restoration)
            bus.lapse()
            journal = _session(bus, plan, JournalFile(file.path))
            assert bus.dish.positioner.memory.positions == counts
            assert journal.finished


def test_what_is_set_already_is_not_driven_to_again(fresh_bus, plan, tmp_path):
    bus = fresh_bus()
    file = JournalFile(tmp_path / "j.json")

    def stop_after_three(journal):
        file.save(journal)
        if len(journal.entries) == 3:
            raise KeyboardInterrupt

    restoration = Restoration(plan, Journal(plan.fingerprint), two_way=True)
    with pytest.raises(KeyboardInterrupt):
        Runner(bus, sleep=bus.sleep, look_s=LOOK_S, save=stop_after_three).run(restoration)
    assert bus.dish.machine.drive == 0
    assert bus.dish.positioner.memory.limits_on
    bus.frames.clear()
    journal = _session(bus, plan, JournalFile(file.path))
    stores = [frame for frame in bus.frames if frame[4:6] == "6A" and frame[6:] != "00"]
    limits = [frame for frame in bus.frames if frame[4:6] in ("66", "67")]
    assert len(stores) + len(limits) == 1
    assert {entry.session for entry in journal.entries.values()} == {1, 2}


# ---- the count -----------------------------------------------------------------------------


def _journal(**words):
    return Journal("f", boot=7, pulses=1000, tally=400, **words)


def test_the_same_adapter_that_only_counted_on_is_believed():
    assert doubts(_journal(), boot=7, pulses=1000, tally=400, flags=None) == []
    assert doubts(_journal(), boot=7, pulses=1010, tally=410, flags=0x40) == []
    assert doubts(_journal(), boot=7, pulses=1010, tally=394, flags=None) == []
    assert doubts(_journal(trips=3), boot=7, pulses=1003, tally=397, flags=None) == []


@pytest.mark.parametrize(
    ("boot", "pulses", "tally", "flags", "says"),
    [
        (8, 1000, 400, None, "restarted"),
        (7, 1000, 401, None, "set to something else"),
        (7, 1010, 380, None, "set to something else"),
        (7, 1010, 401, None, "set to something else"),
        (7, 5, 400, None, "set to something else"),
        (7, 1000, 400, 0x41, "reference is lost"),
    ],
)
def test_a_count_that_may_be_another_is_doubted(boot, pulses, tally, flags, says):
    reasons = doubts(_journal(), boot=boot, pulses=pulses, tally=tally, flags=flags)
    assert any(says in reason for reason in reasons)


def test_loose_limits_are_set_again_in_the_next_session():
    journal = Journal("f")
    journal.entries["limit east"] = JournalEntry(45, 1, "sent", "", loose=True)
    journal.entries["limit west"] = JournalEntry(985, 1, "holds")
    journal.begin_session()
    assert list(journal.entries) == ["limit west"]
    assert journal.session == 2
