"""Each named fault shows what technicians know it by (common practice)."""

from __future__ import annotations

import random
from dataclasses import asdict

import pytest

from bridge.errors import YardError
from sim.rig.dish import Dish
from sim.rig.faults import FAULTS, effects_of
from sim.yard import Yard
from sim.yard_files import load_yard

LARKMERE = load_yard("larkmere")
TAUGHT: Yard = LARKMERE.model_copy(
    update={"start": LARKMERE.start.model_copy(update={"taught": True})}
)


def send(dish: Dish, frame: str, wait_s: float) -> None:
    dish.hear(bytes.fromhex(frame))
    dish.advance(dish.time_s + wait_s)


def ends_of(dish: Dish) -> tuple[int, int]:
    send(dish, "E0316800", 160.0)
    east = dish.positioner.memory.count
    send(dish, "E0316900", 160.0)
    return east, dish.positioner.memory.count


def peak_near(dish: Dish, count: int) -> tuple[float, float]:
    """Middle of the best signal when stepping over a satellite, and that signal."""
    dish.positioner.memory.positions[90] = count - 12
    send(dish, "E0316B5A", 120.0)
    seen = []
    for _ in range(26):
        send(dish, "E03169FF", 2.5)
        seen.append((dish.signal_db(), dish.positioner.memory.count))
    top = max(level for level, _ in seen)
    near = [at for level, at in seen if level >= top - 0.4]
    return sum(near) / len(near), top


def healthy(number: int) -> tuple[float, float]:
    return peak_near(Dish(LARKMERE), LARKMERE.taught_counts()[number])


def test_lost_counts_shift_ends_and_satellites_alike() -> None:
    dish = Dish(LARKMERE, faults=["lost-counts:10"])
    fit = ends_of(Dish(LARKMERE))
    assert ends_of(dish) == (fit[0] - 10, fit[1] - 10)
    there, level = peak_near(dish, LARKMERE.taught_counts()[9] - 10)
    was, full = healthy(9)
    assert there - was == pytest.approx(-10, abs=1)
    assert level == pytest.approx(full, abs=0.4)


def test_slipped_clamp_shifts_satellites_and_not_the_ends() -> None:
    """5 mm at 48 counts an inch are 9.4 counts; the fence is then met at about 1000.6."""
    dish = Dish(LARKMERE, faults=["slipped-clamp"])
    east, west = ends_of(dish)
    assert east == ends_of(Dish(LARKMERE))[0]
    assert west in (1000, 1001)
    assert dish.machine.x == pytest.approx(1000.55, abs=0.01)  # held by the fence
    there, level = peak_near(dish, LARKMERE.taught_counts()[9] - 9)
    was, full = healthy(9)
    assert there - was == pytest.approx(-9.4, abs=1)
    assert level == pytest.approx(full, abs=0.4)


def test_twisted_pole_shifts_by_counts_per_degree() -> None:
    """1 deg: about 11, 9 and 5 counts east, middle and west; 1.2, 0 and 1.0 dB not recovered."""
    shifts, losses = [], []
    for number in (1, 10, 16):
        dish = Dish(LARKMERE, faults=["twisted-pole:1"])
        guess = LARKMERE.taught_counts()[number]
        was, full = healthy(number)
        there, level = max(
            (peak_near(dish, guess + off) for off in (0, 12)), key=lambda found: found[1]
        )
        shifts.append(abs(there - was))
        losses.append(full - level)
    assert shifts == pytest.approx([11, 9, 5], abs=2.0)
    assert losses == pytest.approx([1.2, 0.0, 1.0], abs=0.45)
    assert ends_of(Dish(LARKMERE, faults=["twisted-pole"])) == ends_of(Dish(LARKMERE))


def test_quick_reversals_drift_with_their_number() -> None:
    dish = Dish(LARKMERE, faults=["quick-reversals"])
    errors = []
    for _ in range(10):
        send(dish, "E0316900", 2.0)
        send(dish, "E0316800", 2.0)
        send(dish, "E03160", 2.0)
        errors.append(abs(dish.count_error))
    assert errors[-1] > 5
    assert errors == sorted(errors)
    assert dish.ledger.wrong_sign == dish.count_error
    patient = Dish(LARKMERE)
    for _ in range(10):
        send(patient, "E0316900", 2.0)
        send(patient, "E0316800", 2.0)
        send(patient, "E03160", 2.0)
    assert patient.count_error == 0


def test_one_reversal_in_full_coast_costs_two_counts_a_pulse() -> None:
    """2 pulses with the wrong sign, an error of 4 counts (common practice)."""
    errors = []
    for wait_s in (5.0, 5.03, 5.06, 5.09):
        dish = Dish(LARKMERE, faults=["quick-reversals"])
        send(dish, "E0316900", wait_s)
        send(dish, "E0316800", 3.0)
        errors.append(dish.count_error)
    assert sum(errors) / len(errors) == pytest.approx(-4, abs=0.8)


def test_wet_sensor_misses_moving_west_only() -> None:
    dish = Dish(LARKMERE, faults=["wet-sensor"], seed=2)
    send(dish, "E0316832", 60.0)
    assert dish.count_error == 0
    start = dish.machine.reed.truth
    send(dish, "E0316964", 110.0)
    gone = dish.machine.reed.truth - start
    assert -0.13 * gone < dish.count_error < -0.04 * gone
    assert dish.count_error == dish.ledger.missed


def test_bouncing_sensor_adds() -> None:
    dish = Dish(LARKMERE, faults=["bouncing-sensor:5"])
    send(dish, "E0316932", 60.0)
    assert dish.count_error == dish.ledger.doubled > 5


def test_open_sensor_runs_until_cut_off() -> None:
    dish = Dish(LARKMERE, faults=["open-sensor"])
    place = dish.machine.x
    send(dish, "E0316900", 2.0)
    assert dish.readings().motor_a == pytest.approx(1.4, abs=0.3)
    dish.advance(dish.time_s + 5.0)
    assert dish.readings().pulses == 0
    assert dish.readings().moving is None
    assert dish.journal[-1].ended_by == "stall"
    assert dish.machine.x - place > 15  # signal changes while counts do not


def test_stripped_coupling_draws_free_current() -> None:
    dish = Dish(LARKMERE, faults=["stripped-coupling"])
    level = dish.readings().signal_db
    send(dish, "E0316900", 2.0)
    assert dish.readings().motor_a == 0.6
    assert dish.readings().pulses == 0
    assert dish.readings().signal_db == pytest.approx(level, abs=0.6)
    dish.advance(6.0)
    assert dish.journal[-1].ended_by == "stall"


def test_jam_draws_stall_current_until_the_trip() -> None:
    dish = Dish(LARKMERE, faults=["jam"])
    send(dish, "E0316900", 0.5)
    assert dish.readings().motor_a == pytest.approx(9.0)
    dish.advance(0.7)
    assert dish.readings().moving is None
    dish.advance(3.0)
    assert dish.journal[-1].ended_by == "stall"
    assert dish.readings().pulses == 0


def test_open_supply_draws_nothing_either_way() -> None:
    dish = Dish(LARKMERE, faults=["supply-open"])
    send(dish, "E0316900", 1.0)
    assert (dish.readings().motor_a, dish.readings().motor_v) == (0.0, 0.0)
    dish.advance(6.0)
    send(dish, "E0316800", 6.0)
    assert dish.hear(bytes.fromhex("E23164")) == b"\xe4\x04"  # power not available


def test_reversed_pair_counts_against_the_motion() -> None:
    dish = Dish(LARKMERE, faults=["reversed-pair"])
    send(dish, "E0316904", 8.0)
    assert dish.positioner.memory.count > 525
    assert dish.machine.x < 475


def test_polarity_swapped_loses_the_wanted_polarization() -> None:
    fit = Dish(LARKMERE, state=None)
    bad = Dish(LARKMERE, faults=["polarity-swapped"])
    for dish in (fit, bad):
        dish.positioner.memory.positions[9] = LARKMERE.taught_counts()[9]
        send(dish, "E0316B09", 40.0)
    assert fit.positioner.memory.count == bad.positioner.memory.count
    assert fit.horizontal is False
    assert bad.horizontal is True
    assert fit.signal_db() - bad.signal_db() > 6.0


def test_cable_drop_is_slow_sags_and_loses_messages() -> None:
    fit, bad = Dish(LARKMERE), Dish(LARKMERE, faults=["cable-drop"], seed=1)
    for dish in (fit, bad):
        send(dish, "E0316900", 10.0)
    assert bad.readings().pulses < 0.8 * fit.readings().pulses
    assert bad.readings().motor_v < 25.0 < fit.readings().motor_v
    lost = 0
    for _ in range(60):
        before = len(bad.journal)
        send(bad, "E23164", 0.2)
        lost += len(bad.journal) == before
    assert 10 < lost < 40  # while it moves
    send(bad, "E03160", 0.2)
    while bad.readings().moving:
        send(bad, "E03160", 0.2)
    bad.set_supply(18)
    fit.set_supply(18)
    assert [bad.hear(bytes.fromhex("E23164")) is None for _ in range(20)] == [False] * 20


def test_wrong_satellite_is_one_spacing_off_and_strong() -> None:
    dish = Dish(TAUGHT, faults=["wrong-satellite:6"])
    send(dish, "E0316B06", 40.0)
    assert dish.positioner.memory.count == TAUGHT.taught_counts()[5]
    assert dish.signal_db() > 12.0


def test_faults_combine() -> None:
    effects = effects_of(["wet-sensor", "missing-pulses:2", "lost-counts", "lost-counts:-3", "jam"])
    assert effects.miss_west == pytest.approx(0.10)
    assert effects.miss_east == pytest.approx(0.02)
    assert effects.lost_counts == 7
    assert effects.jammed


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("gremlins", "fault 'gremlins' is unknown; known are lost-counts"),
        ("jam:3", "takes no amount"),
        ("wet-sensor:lots", "is no number; allowed is 0 to 100 % of pulses"),
        ("twisted-pole:90", "amount 90 is outside -10 to 10 deg"),
        ("wet-sensor:nan", "outside 0 to 100"),
    ],
)
def test_unknown_faults_are_refused(name: str, says: str) -> None:
    with pytest.raises(YardError, match="fault") as error:
        Dish(LARKMERE, faults=[name])
    assert says in str(error.value)


def test_every_fault_alone_and_any_pair_can_be_lived_with() -> None:
    rng = random.Random(0)
    names = sorted(FAULTS)
    pairs = [[name] for name in names] + [rng.sample(names, 2) for _ in range(20)]
    for faults in pairs:
        dish = Dish(TAUGHT, faults=faults, seed=rng.randrange(100))
        for frame in ("E0316B01", "E0316903", "E03168FF", "E03160", "E23164"):
            send(dish, frame, rng.uniform(1.0, 20.0))
        assert dish.count_error == dish.ledger.total


@pytest.mark.parametrize(
    ("name", "usual"),
    [
        ("lost-counts", {"lost_counts": 10.0}),
        ("slipped-clamp", {"slip_mm": 5.0}),
        ("twisted-pole", {"twist_deg": 1.0}),
        ("wet-sensor", {"miss_west": 0.08}),
        ("missing-pulses", {"miss_west": 0.01, "miss_east": 0.01}),
        ("bouncing-sensor", {"double": 0.02}),
        ("cable-drop", {"cable_ohm": 8.0}),
        ("wrong-satellite", {"neighbour": 6.0}),
    ],
)
def test_a_fault_without_an_amount_has_its_usual_one(name: str, usual: dict[str, float]) -> None:
    """Amounts by which a rehearsal shows each fault plainly (judgement); nothing else changes."""
    found = asdict(effects_of([name]))
    assert {key: value for key, value in found.items() if value} == pytest.approx(usual)


@pytest.mark.parametrize(
    ("name", "low", "high", "unit"),
    [
        ("lost-counts", -500, 500, "counts"),
        ("slipped-clamp", -100, 100, "mm"),
        ("twisted-pole", -10, 10, "deg"),
        ("wet-sensor", 0, 100, "% of pulses"),
        ("missing-pulses", 0, 100, "% of pulses"),
        ("bouncing-sensor", 0, 100, "% of pulses"),
        ("cable-drop", 0, 20, "ohm"),
        ("wrong-satellite", 1, 255, "position"),
    ],
)
def test_an_amount_may_be_either_end_of_its_range_and_no_further(
    name: str, low: int, high: int, unit: str
) -> None:
    for amount in (low, high):
        effects_of([f"{name}:{amount}"])
    for amount in (low - 0.5, high + 0.5):
        with pytest.raises(YardError) as error:
            effects_of([f"{name}:{amount:g}"])
        assert str(error.value) == (
            f"fault '{name}': amount {amount:g} is outside {low} to {high} {unit}"
        )


def test_pulses_are_not_missed_more_often_than_always() -> None:
    effects = effects_of(["wet-sensor:70", "missing-pulses:60", "bouncing-sensor:100"])
    assert (effects.miss_west, effects.double) == (1.0, 1.0)
    assert effects.miss_east == pytest.approx(0.6)


@pytest.mark.parametrize(("share", "expected_db"), [(0.0, 0.0), (8.0, 1.2)])
def test_a_bad_cable_costs_signal_at_18_v_only(share: float, expected_db: float) -> None:
    """0.15 dB an ohm (judgement), where the LNB draws its current from the higher level."""
    fit, bad = Dish(TAUGHT), Dish(TAUGHT, faults=[f"cable-drop:{share:g}"])
    for volts, loss_db in ((13, 0.0), (18, expected_db)):
        for dish in (fit, bad):
            dish.set_supply(volts)
        assert fit.signal_db() - bad.signal_db() == pytest.approx(loss_db, abs=0.35)
