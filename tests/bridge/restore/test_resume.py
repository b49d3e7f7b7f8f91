"""Broken off at every step and taken up again: the same list is in the positioner in the end."""

from __future__ import annotations

import pytest

from bridge.errors import LinkLost
from bridge.restore.journal import Entry, Journal, JournalFile
from bridge.restore.plan import plan_of
from bridge.restore.reference import doubts
from bridge.restore.runner import Hand
from bridge.restore.steps import Work
from sim.rig.dish import Dish

FEW = (14, 15, 16)
LIMITS = (790, 960)  # close by, so that a session is short
EVERY_LOOK = 31  # every so many looks the link breaks as well
LOOK_S = 0.2  # s


@pytest.fixture
def fresh_bus(larkmere, instant_bus):
    """A bus on a new dish that stands among the positions."""
    yard = larkmere.model_copy(update={"start": larkmere.start.model_copy(update={"count": 860})})
    return lambda: instant_bus(Dish(yard))


class _Killed(BaseException):
    """The program is gone: nothing of it runs any more."""


class DeadHand(Hand):
    """A hand that dies with its program: no stop, no limits, no last save."""

    def _leave(self, work):
        return


def _session(bus, plan, file, hand=Hand):
    """As the command does it: what the journal says counts, where the count is not in doubt."""
    journal = file.load()
    if journal is None:
        journal = Journal(plan.fingerprint)
    elif journal.entries:
        journal.begin_again()
    bus.heard.clear()  # a greeting begins a session: what was told before it is nobody's news
    seen_pulses, seen_tally = bus.dish.pulses, bus.dish.tally
    if journal.boot is not None:
        assert not doubts(journal, boot=1, pulses=seen_pulses, tally=seen_tally, flags=None)
    work = Work(plan, journal, two_way=True)
    hand(bus, sleep=bus.sleep, look_s=LOOK_S, keep=file.save).work(work)
    return journal


def _broken(bus, plan, path, hand):
    """A session whose link breaks, and another one after it."""
    with pytest.raises(LinkLost):
        _session(bus, plan, JournalFile(path), hand)
    bus.lapse()
    return _session(bus, plan, JournalFile(path))


def _acts(bus, plan, folder):
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
@pytest.mark.parametrize("hand", [Hand, DeadHand], ids=["cut off", "killed"])
def test_it_goes_on_after_a_break_at_any_step(fresh_bus, station, tmp_path, after, hand):
    wanted = station(*FEW, limits=LIMITS)
    plan = plan_of(wanted)
    sends, calls = _acts(fresh_bus(), plan, tmp_path)
    assert len(sends) > 20
    for call in sorted({*sends, *range(1, calls, EVERY_LOOK)}):
        bus = fresh_bus()
        bus.breaks_at, bus.breaks_after = call, after
        journal = _broken(bus, plan, tmp_path / f"{call}.json", hand)
        memory = bus.dish.positioner.memory
        counts = {row.number: row.count for row in wanted.position}
        assert (memory.positions, memory.east, memory.west) == (counts, *LIMITS), call
        assert memory.limits_on
        assert journal.finished
        assert bus.dish.count_error == 0


def test_it_goes_on_after_a_kill_at_any_save(fresh_bus, station, tmp_path):
    plan = plan_of(station(*FEW, limits=LIMITS))
    counts = {row.number: row.count for row in station(*FEW, limits=LIMITS).position}
    for deadly in range(1, 9):
        for before in (False, True):
            bus = fresh_bus()
            file = JournalFile(tmp_path / f"{deadly}-{before}.json")
            saves = 0

            def keep(journal, file=file, deadly=deadly, before=before):
                nonlocal saves
                saves += 1
                if saves == deadly and before:
                    raise _Killed
                file.save(journal)
                if saves == deadly:
                    raise _Killed

            work = Work(plan, Journal(plan.fingerprint), two_way=True)
            with pytest.raises(_Killed):
                DeadHand(bus, sleep=bus.sleep, look_s=LOOK_S, keep=keep).work(work)
            bus.lapse()
            journal = _session(bus, plan, JournalFile(file.path))
            assert bus.dish.positioner.memory.positions == counts
            assert journal.finished


def test_what_is_set_already_is_not_driven_to_again(fresh_bus, station, tmp_path):
    plan = plan_of(station(*FEW, limits=LIMITS))
    bus = fresh_bus()
    file = JournalFile(tmp_path / "j.json")

    def stop_after_three(journal):
        file.save(journal)
        if len(journal.entries) == 3:
            raise KeyboardInterrupt

    work = Work(plan, Journal(plan.fingerprint), two_way=True)
    with pytest.raises(KeyboardInterrupt):
        Hand(bus, sleep=bus.sleep, look_s=LOOK_S, keep=stop_after_three).work(work)
    assert bus.dish.machine.drive == 0
    assert bus.dish.positioner.memory.limits_on
    bus.frames.clear()
    journal = _session(bus, plan, JournalFile(file.path))
    stores = [frame for frame in bus.frames if frame[4:6] == "6A" and frame[6:] != "00"]
    assert len(stores) == 1
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
    journal.entries["limit east"] = Entry(45, 1, "sent", "", loose=True)
    journal.entries["limit west"] = Entry(985, 1, "holds")
    journal.begin_again()
    assert list(journal.entries) == ["limit west"]
    assert journal.session == 2
