"""A list put back into the simulated dish, its manners and faults included."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.bus.command import Drive, Goto, command_of
from bridge.bus.frame import Frame
from bridge.errors import LinkError, Refused
from bridge.link.dialogue import Heard, Stopped
from bridge.restore.journal import Journal
from bridge.restore.plan import plan_of
from bridge.restore.requests import OBSERVE, Notice, Observation, StopMotor
from bridge.restore.runner import Runner
from bridge.restore.steps import Restoration
from sim.rig.dish import Dish

FEW = (1, 5, 9, 16)


@pytest.fixture
def rig(larkmere, instant_bus):
    """A bus on a new dish; words change the yard's positioner."""

    def make(*, faults=(), state=None, **words):
        positioner = larkmere.positioner.model_copy(update=words)
        yard = larkmere.model_copy(update={"positioner": positioner})
        return instant_bus(Dish(yard, faults=faults, state=state))

    return make


def _restore(bus, station, *, two_way=True, journal=None, every=False, **words):
    plan = plan_of(station, **words)
    journal = journal or Journal(plan.fingerprint)
    restoration = Restoration(plan, journal, two_way=two_way, every_proof=every)
    runner = Runner(bus, sleep=bus.sleep)
    runner.run(restoration)
    return journal


def _counts(station):
    return {row.number: row.count for row in station.position}


def _memory(bus):
    memory = bus.dish.positioner.memory
    return memory.positions, (memory.east, memory.west, memory.limits_on)


@pytest.mark.parametrize("approach", ["west", "east", None])
def test_the_list_is_in_the_positioner_in_the_end(rig, station, approach):
    wanted = station(approach=approach)
    bus = rig()
    journal = _restore(bus, wanted)
    assert _memory(bus) == (_counts(wanted), (45, 985, True))
    assert journal.finished
    assert all(proof.ok for proof in journal.proofs.values())
    assert {entry.state for entry in journal.entries.values()} == {"holds", "acknowledged"}
    assert bus.dish.count_error == 0


def test_every_drive_on_the_bus_is_bounded(rig, station):
    bus = rig()
    _restore(bus, station(*FEW))
    commands = [command_of(Frame.parse(bytes.fromhex(frame))) for frame in bus.frames]
    drives = [command for command in commands if isinstance(command, Drive)]
    assert drives
    assert all(1 <= (drive.counts or 0) <= 128 for drive in drives)
    gotos = [entry for entry in bus.dish.journal if entry.hex.startswith("E0 31 6B")]
    assert gotos
    assert all(abs(entry.count_after - entry.count_before) <= 30 for entry in gotos)


def test_every_store_comes_after_driving_from_one_side(rig, station):
    bus = rig()
    _restore(bus, station(approach="west"))
    last = None
    for entry in bus.dish.journal:
        command = command_of(Frame.parse(bytes.fromhex(entry.hex)))
        if isinstance(command, Drive):
            last = command.side
        if entry.outcome == "stored":
            assert last == "west"


def test_a_one_way_bus_is_told_twice_and_believed_only_when_returned_to(rig, station):
    bus = rig(two_way=False)
    journal = _restore(bus, station(*FEW), two_way=False)
    assert _memory(bus)[0] == _counts(station(*FEW))
    assert {entry.state for entry in journal.entries.values()} == {"holds", "sent"}
    stores = [frame for frame in bus.frames if frame[4:6] == "6A" and frame[6:] == "05"]
    assert stores == ["E0316A05", "E1316A05"]


def _but_drives(frames):
    return [frame for frame in frames if frame[4:6] not in ("68", "69")]


# Commands of the Positioner Application Note (from memory): 63 limits off, 66 and 67 set the
# limits, 6A stores (6A 00 switches the limits on), 6B goes to a position.
IN_ORDER = (
    ["63", "66", "63", "6A01", "63", "6A05", "63", "6A09", "63", "6A10", "63", "67", "6A00"]
)  # fmt: skip
PROVED = ["E0316B10", "E0316B09", "E0316B01"]


def test_each_setting_is_asked_for_once_where_replies_confirm_it(rig, station):
    bus = rig()
    _restore(bus, station(*FEW))
    assert _but_drives(bus.frames) == [f"E231{what}" for what in IN_ORDER] + PROVED


def test_each_setting_goes_out_twice_where_nothing_confirms_it(rig, station):
    bus = rig(two_way=False)
    _restore(bus, station(*FEW), two_way=False)
    twice = [f"{framing}31{what}" for what in IN_ORDER for framing in ("E0", "E1")]
    assert _but_drives(bus.frames) == twice + PROVED


def test_without_limits_to_restore_none_are_switched(rig, station):
    bus = rig()
    _restore(bus, station(*FEW), limits=False)
    stores = [f"E2316A{number:02X}" for number in FEW]
    frames = _but_drives(bus.frames)
    assert frames[:4] in (stores, stores[::-1])
    assert sorted(frames[4:]) == sorted(PROVED)


def test_a_positioner_that_falls_silent_ends_it_after_three_asks(rig, station):
    bus = rig(two_way=False)
    with pytest.raises(LinkError) as caught:
        _restore(bus, station(*FEW), two_way=True)
    assert str(caught.value) == (
        "the positioner does not answer E0 31 63 any more; look at its cable and power, then run "
        "it again"
    )
    assert bus.log == ["E23163", "E23163", "E23163", "stop", "E0316A00"]


@pytest.mark.parametrize("manner", ["repeats act again", "any frame stops it"])
def test_manners_that_do_no_harm(rig, station, manner):
    bus = rig(manners=(manner,), two_way=False)
    _restore(bus, station(*FEW), two_way=False)
    assert _memory(bus) == (_counts(station(*FEW)), (45, 985, True))


def test_limits_left_at_zero_by_a_reset_are_replaced(rig, station):
    bus = rig()
    memory = bus.dish.positioner.memory
    memory.east = memory.west = 0
    memory.limits_on = True  # now it refuses both ways (common practice: seen after a reset)
    journal = _restore(bus, station(*FEW))
    assert _memory(bus) == (_counts(station(*FEW)), (45, 985, True))
    assert journal.entries["limit east"].state == "holds"
    assert journal.finished


def test_old_limits_beyond_the_new_ones_are_replaced(rig, station):
    bus = rig()
    memory = bus.dish.positioner.memory
    memory.east, memory.west, memory.limits_on = 1200, 2200, True  # counts of another actuator
    _restore(bus, station(*FEW))
    assert _memory(bus) == (_counts(station(*FEW)), (45, 985, True))


def test_limits_may_be_left_alone(rig, station):
    bus = rig()
    memory = bus.dish.positioner.memory
    memory.east, memory.west, memory.limits_on = 30, 990, True
    _restore(bus, station(*FEW), limits=False)
    assert _memory(bus) == (_counts(station(*FEW)), (30, 990, True))
    assert not any(frame[4:6] in ("63", "66", "67") for frame in bus.frames)


def test_a_limit_in_the_way_that_was_to_be_left_alone_is_told(rig, station):
    bus = rig()
    memory = bus.dish.positioner.memory
    memory.east, memory.west, memory.limits_on = 300, 990, True
    with pytest.raises(LinkError, match="soft limit reached; its own soft limit may hold it"):
        _restore(bus, station(*FEW), limits=False)


def test_each_step_is_reported_in_a_sentence_as_it_is_done(rig, station):
    bus = rig()
    notices = []
    plan = plan_of(station(1, 9))
    restoration = Restoration(plan, Journal(plan.fingerprint), two_way=True)
    Runner(
        bus,
        sleep=bus.sleep,
        report=lambda it: isinstance(it, Notice) and notices.append((it.done, it.text)),
    ).run(restoration)
    assert notices == [
        (False, "to the east limit at 45"),
        (True, "set east limit at 45 (holds)"),
        (False, "to position 1 (Alder) at 94"),
        (True, "stored position 1 (Alder) at 94 (acknowledged)"),
        (False, "to position 9 (Ivy) at 570"),
        (True, "stored position 9 (Ivy) at 570 (acknowledged)"),
        (False, "to the west limit at 985"),
        (True, "set west limit at 985 (holds)"),
        (False, "back to position 9 (Ivy) by its number"),
        (True, "proved position 9 (Ivy): returned to 570"),
        (False, "back to position 1 (Alder) by its number"),
        (True, "proved position 1 (Alder): returned to 94"),
    ]


def test_a_limit_that_does_not_hold_is_loose_and_the_restoration_not_finished(rig, station):
    bus = rig()
    hear = bus.dish.hear
    # This one takes the limits and keeps to none.
    bus.dish.hear = lambda data: None if data[2] in {0x66, 0x67} else hear(data)
    journal = _restore(bus, station(1, 9), two_way=False)
    east, west = journal.entries["limit east"], journal.entries["limit west"]
    assert (east.state, east.loose) == (west.state, west.loose) == ("sent", True)
    assert east.note == f"one count east was still driven there, to {_tail(east.note)}"
    assert int(_tail(east.note)) < 45
    assert int(_tail(west.note)) > 985
    assert all(proof.ok for proof in journal.proofs.values())
    assert not journal.finished


def _tail(note):
    return note.rpartition(" ")[2]


def test_a_positioner_that_holds_fewer_fails_its_proof(rig, station):
    bus = rig(most_positions=10)
    journal = _restore(bus, station(*FEW))
    assert not journal.finished
    assert not journal.proofs["position 16"].ok
    assert "came to rest at" in journal.proofs["position 16"].note
    assert journal.proofs["position 1"].ok


def test_counts_taken_as_seconds_end_it_at_once(rig, station):
    bus = rig(manners=("steps taken as seconds",))
    with pytest.raises(LinkError, match="may take counts as seconds"):
        _restore(bus, station(*FEW))
    bus.sleep(5.0)
    assert abs(bus.dish.positioner.memory.count - 500) < 30
    assert bus.dish.machine.drive == 0


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("jam", "count"),
        ("open-sensor", "No counts"),
        ("stripped-coupling", "No counts"),
        ("supply-open", "no current"),
    ],
)
def test_a_dish_that_does_not_move_as_told_is_halted(rig, station, fault, says):
    bus = rig(faults=(fault,))
    with pytest.raises(LinkError, match=says):
        _restore(bus, station(*FEW))
    assert bus.dish.machine.drive == 0


def test_counts_cannot_tell_a_reversed_pair_but_the_meter_can(rig, station):
    bus = rig(faults=("reversed-pair",))
    bus.meter = True
    journal = _restore(bus, station(8, 9, 11), every=True)
    assert journal.finished  # a single reed tells no direction (common practice)
    assert abs(bus.dish.machine.x - bus.dish.positioner.memory.count) > 50
    assert any("peak it again" in proof.note for proof in journal.proofs.values())


def test_the_meter_stands_higher_at_what_was_put_back(rig, station):
    bus = rig()
    bus.meter = True
    journal = _restore(bus, station(8, 9, 11), every=True)
    for proof in journal.proofs.values():
        assert proof.signal_db > proof.beside_db + 3  # a beam's width is 10-20 counts here
        assert not proof.note


def test_a_stop_at_the_adapter_ends_it(rig, station):
    bus = rig()
    frames = []

    def report(_):
        if len(bus.frames) == 8 and not frames:
            frames.extend(bus.frames)
            bus.heard.append(Stopped(bus.dish.time_s))

    plan = plan_of(station(*FEW))
    restoration = Restoration(plan, Journal(plan.fingerprint), two_way=True)
    with pytest.raises(LinkError, match="somebody stopped the motor"):
        Runner(bus, sleep=bus.sleep, report=report).run(restoration)
    after = [command_of(Frame.parse(bytes.fromhex(frame))) for frame in bus.frames[8:]]
    assert not any(isinstance(command, Drive | Goto) for command in after)
    assert bus.dish.positioner.memory.limits_on


def test_another_master_on_the_bus_ends_it(rig, station):
    bus = rig()
    bus.heard.append(Heard(0.0, bytes.fromhex("E0316B03")))
    with pytest.raises(LinkError) as caught:
        _restore(bus, station(*FEW))
    assert str(caught.value) == (
        "another device on the bus sent E0 31 6B 03; two must not steer one dish, so disconnect it "
        "first"
    )
    assert bus.log == ["stop"]


@pytest.mark.parametrize("heard", ["E440", "E0", "E031", "00" * 9])
def test_a_reply_or_a_scrap_on_the_bus_is_no_other_master(rig, station, heard):
    bus = rig()
    bus.heard.append(Heard(0.0, bytes.fromhex(heard)))
    assert _restore(bus, station(*FEW)).finished


def test_a_lease_that_ran_out_ends_it(rig, station):
    bus = rig()

    def report(_):
        bus.trips = int(len(bus.frames) >= 9)  # the limits are off by then

    plan = plan_of(station(*FEW))
    restoration = Restoration(plan, Journal(plan.fingerprint), two_way=True)
    with pytest.raises(LinkError) as caught:
        Runner(bus, sleep=bus.sleep, report=report).run(restoration)
    assert str(caught.value) == "the adapter heard nothing from here in time and halted the motor"
    assert bus.log[9:] == ["stop", "E0316A00"]


@pytest.mark.parametrize("missing", ["tally", "pulses"])
def test_an_adapter_whose_counts_go_away_ends_it(rig, station, missing):
    bus = rig()
    status = bus.status
    bus.status = lambda: replace(status(), **{missing: None} if len(bus.frames) >= 8 else {})
    with pytest.raises(LinkError) as caught:
        _restore(bus, station(*FEW))
    assert str(caught.value) == ("the adapter sends no count any more; look at the sensor's tap")


def test_a_stop_of_its_own_is_no_stop_by_somebody(rig, station):
    bus = rig(faults=("stripped-coupling",))
    with pytest.raises(LinkError, match="No counts"):
        _restore(bus, station(*FEW))
    # One to halt the drive, one on leaving; the adapter reports both.
    assert bus.log.count("stop") == 2


def test_only_as_many_stops_as_were_sent_from_here_are_expected(rig):
    bus = rig()
    runner = Runner(bus, sleep=bus.sleep)

    def steps():
        yield StopMotor()
        bus.heard.append(Stopped(bus.dish.time_s))
        yield OBSERVE

    with pytest.raises(LinkError) as caught:
        runner.carry_out(steps(), None)
    assert str(caught.value) == "somebody stopped the motor at the adapter"
    assert bus.log == ["stop"]


def test_an_adapter_without_a_clock_is_timed_by_the_host(rig, station):
    bus = rig()
    status = bus.status
    bus.status = lambda: replace(status(), t_s=0.0)
    plan = plan_of(station(*FEW))
    journal = Journal(plan.fingerprint)
    restoration = Restoration(plan, journal, two_way=True)
    Runner(bus, sleep=bus.sleep, clock=lambda: 1000.0 + bus.dish.time_s).run(restoration)
    assert journal.finished


def test_an_adapter_that_restarts_ends_it(rig, station):
    bus = rig()

    def report(_):
        if len(bus.frames) == 8:
            bus.greeting = replace(bus.greeting, boot=2)

    plan = plan_of(station(*FEW))
    restoration = Restoration(plan, Journal(plan.fingerprint), two_way=True)
    with pytest.raises(LinkError, match="the adapter restarted, and with it its count"):
        Runner(bus, sleep=bus.sleep, report=report).run(restoration)


def test_a_failed_proof_has_its_session_put_back_anew(rig, station):
    bus = rig()
    wanted = station(*FEW)
    journal = _restore(bus, wanted)
    journal.proofs["position 9"].ok = False
    bus.dish.positioner.memory.positions[9] = 300
    journal.begin_session()
    assert not journal.entries
    _restore(bus, wanted, journal=journal)
    assert _memory(bus)[0] == _counts(wanted)


@pytest.mark.parametrize(
    ("limits", "here", "count", "start"),
    [
        (None, 700, 500, 520),  # on the side where the dish is
        (None, 300, 500, 480),
        (None, 500, 500, 520),
        ((45, 985), 60, 50, 70),
        ((45, 985), 50, 60, 80),  # too little room to the east limit
        ((45, 985), 50, 65, 45),  # just enough
        ((45, 985), 985, 980, 960),  # too little room to the west limit
        ((45, 65), 60, 50, 65),  # too little on both sides: the longer way
    ],
)
def test_a_proof_begins_twenty_counts_away_where_there_is_room(station, limits, here, count, start):
    plan = replace(plan_of(station(9, limits=None)), east=None, west=None)
    if limits:
        plan = replace(plan, east=limits[0], west=limits[1])
    restoration = Restoration(plan, Journal(plan.fingerprint), two_way=True)
    seen = Observation(0.0, here, 1000, None)
    assert restoration._start_of_proof(seen, count) == start


# ---- counter writes ------------------------------------------------------------------------


def test_counter_writes_put_it_back_without_motion(rig, station):
    bus = rig(manners=("acts on unsure commands",))
    wanted = station()
    before = bus.dish.machine.x
    plan = plan_of(wanted, by_counter=True)
    journal = Journal(plan.fingerprint)
    moved = []

    def save(journal):
        if not journal.proofs:
            moved.append(bus.dish.machine.x - before)

    restoration = Restoration(plan, journal, two_way=True)
    Runner(bus, sleep=bus.sleep, save=save).run(restoration)
    assert _memory(bus) == (_counts(wanted), (45, 985, True))
    assert moved
    assert set(moved) == {0.0}
    assert journal.finished
    assert bus.dish.count_error == 0


def test_a_positioner_that_takes_no_counter_writes_is_told(rig, station):
    bus = rig()
    with pytest.raises(Refused) as caught:
        _restore(bus, station(*FEW), by_counter=True)
    assert str(caught.value) == (
        "the counter was to read 500 and reads nothing: this positioner takes no counter writes; "
        "restore by driving instead"
    )
    assert bus.dish.positioner.memory.positions == {}
    assert bus.log == ["E0316D01F4", "E23165", "stop"]


def test_counter_writes_in_order(rig, station):
    bus = rig(manners=("acts on unsure commands",))
    wanted = station(1, 9)
    _restore(bus, wanted, by_counter=True)
    one, nine = (f"E0316D{_counts(wanted)[number]:04X}" for number in (1, 9))
    east, west, here = (f"E0316D{count:04X}" for count in (45, 985, 500))
    # An old limit may be in the way of the first one: west, east, and west again.
    ends = [west, "E23167", east, "E23166", west, "E23167"]
    stores = [one, "E2316A01", nine, "E2316A09"]
    proofs = ["E0316B09", "E0316B01"]  # the nearer end first
    assert _but_drives(bus.frames) == [
        here, "E23165", *ends, *stores, here, "E23165", "E2316A00", *proofs,
    ]  # fmt: skip


def test_counter_writes_broken_off_leave_the_counter_right(rig, station):
    bus = rig(manners=("acts on unsure commands",))

    def report(_):
        if len(bus.frames) == 12:
            raise KeyboardInterrupt

    plan = plan_of(station(*FEW), by_counter=True)
    restoration = Restoration(plan, Journal(plan.fingerprint), two_way=True)
    with pytest.raises(KeyboardInterrupt):
        Runner(bus, sleep=bus.sleep, report=report).run(restoration)
    assert bus.log[12:] == ["stop", "E0316D01F4"]
    assert bus.dish.positioner.memory.count == 500
