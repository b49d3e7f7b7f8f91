"""What must not happen while a dish may still move.

Figures (common practice): a short quick actuator is at the other end after 60 s; a slow healthy
one gives 5 counts/s; a reversal waits for 0.5 s at least.
"""

from __future__ import annotations

import pytest

from bridge.audit import Finding, audit
from bridge.bus.event import Event
from bus_events import heard

PRACTICE = "common practice"
NOTE = "DiSEqC Positioner Application Note 1.0"
STORE = "E0 31 6A 07"
HALT = "E0 31 60"

# What is ordered, what it is called, and for how many seconds the dish may move after it.
MOTIONS = [
    ("E0 31 69 10", "a drive west", 16.0),  # 16 seconds
    ("E0 31 68 F6", "a drive east", 3.0),  # 10 counts: 2 s, and 1 s to start
    ("E0 31 68 00", "a drive east", 1e6),  # without a bound
    ("E0 31 6B 07", "a goto 7", 60.0),
    ("E0 00 6B 00", "a goto 0", 60.0),
    ("E0 30 6E E1 60", "a goto angle", 60.0),
    ("E0 32 6B 07", "a goto 7", 60.0),
]


def findings(code: str, *events: Event) -> list[Finding]:
    return [finding for finding in audit(events) if finding.code == code]


@pytest.mark.parametrize(("order", "name", "lasts_s"), MOTIONS)
@pytest.mark.parametrize("place", [STORE, "E0 31 66", "E0 31 67"])
def test_nothing_is_stored_while_the_dish_may_move(order, name, lasts_s, place):
    start = heard(order, 5.0)
    assert findings("store_while_moving", start, heard(place, 5.0 + 0.99 * lasts_s)) == [
        Finding(
            5.0 + 0.99 * lasts_s,
            "store_while_moving",
            "error",
            f"{place} while {name} may still run",
            "the place stored is not the place that was peaked",
            PRACTICE,
        )
    ]
    late_s = 5.0 + 1.01 * lasts_s
    codes = [] if lasts_s < 1e6 else ["store_while_moving"]
    assert [f.code for f in findings("store_while_moving", start, heard(place, late_s))] == codes
    halted = findings("store_while_moving", start, heard(HALT, 5.5), heard(place, 6.0))
    assert halted == []


def test_a_motion_is_over_at_its_end_and_not_after():
    start = heard("E0 31 69 10", 1.0)
    assert findings("store_while_moving", start, heard(STORE, 17.0)) == []


def test_without_times_a_motion_lasts_until_the_next_command_ends_it():
    [finding] = findings("store_while_moving", heard("E0 31 69 10"), heard(STORE))
    assert (finding.t_s, finding.severity) == (None, "note")
    assert findings("store_while_moving", heard("E0 31 69 10"), heard(HALT), heard(STORE)) == []
    assert findings("store_while_moving", heard("E0 31 69 10"), heard(STORE, 99.0)) != []


@pytest.mark.parametrize("place", ["E0 31 63", "E0 31 6A 00"])
def test_the_limits_may_be_switched_while_the_dish_moves(place):
    assert findings("store_while_moving", heard("E0 31 69 10", 1.0), heard(place, 2.0)) == []


@pytest.mark.parametrize(("port", "codes"), [("38", 1), ("39", 1), ("3A", 0), ("21", 0)])
def test_a_switch_message_in_mid_move(port, codes):
    start, switch = heard("E0 31 6B 07", 1.0), f"E0 10 {port} F0"
    wanted = Finding(
        3.0,
        "switch_in_mid_move",
        "warning",
        "a switch message while a goto 7 may still run",
        "a positioner behind the switch can lose its supply in mid-move and with it counts",
        PRACTICE,
    )
    assert list(audit([start, heard(switch, 3.0)])) == [wanted] * codes
    assert list(audit([start, heard(switch, 61.1)])) == []
    assert list(audit([heard(switch, 3.0)])) == []


@pytest.mark.parametrize(
    ("first", "second", "side", "other"),
    [
        ("E0 31 69 02", "E0 31 68 02", "east", "west"),
        ("E0 31 68 02", "E0 31 69 FF", "west", "east"),
    ],
)
def test_a_reversal_within_half_a_second_of_the_other_drive(first, second, side, other):
    """A drive of 2 s coasts after it; half a second is the least wait (common practice)."""
    quick = Finding(
        3.4,
        "quick_reversal",
        "warning",
        f"driven {side} while the drive {other} may still coast",
        "pulses of the coast are counted with the wrong sign: the count drifts",
        PRACTICE,
        "2.40 s after the other drive",
        "at rest for 0.5 s",
    )
    assert list(audit([heard(first, 1.0), heard(second, 3.4)])) == [quick]
    assert list(audit([heard(first, 1.0), heard(second, 3.5)])) == []


def test_what_is_no_quick_reversal():
    drive = heard("E0 31 69 02", 1.0)
    for other in (
        heard("E0 31 69 03", 2.0),  # the same way
        heard("E1 31 68 02", 2.0),  # a repeat of what was not heard
        heard("E0 31 68 02"),  # without a time
        heard("E0 31 6B 07", 2.0),  # a goto finds its own way
    ):
        assert findings("quick_reversal", drive, other) == []
    assert findings("quick_reversal", heard("E0 31 69 02"), heard("E0 31 68 02", 2.0)) == []
    assert findings("quick_reversal", heard("E0 31 6B 07", 1.0), heard("E0 31 68 02", 2.0)) == []
    assert findings("quick_reversal", heard("E0 31 68 02", 2.0)) == []


@pytest.mark.parametrize(("order", "side"), [("E0 31 69 00", "west"), ("E0 30 68 00", "east")])
def test_a_drive_that_is_never_halted(order, side):
    wanted = Finding(
        1.0,
        "never_halted",
        "error",
        f"{order} drives {side} without a bound, and no halt follows",
        "the dish drives to a limit or to its end",
        NOTE,
        "no halt to the end of the capture",
        "a halt, or a bound in the data byte",
    )
    assert list(audit([heard(order, 1.0), heard("E0 10 21", 2.0)])) == [wanted]


@pytest.mark.parametrize("end", [HALT, "E0 31 6B 07", "E0 31 69 05", "E0 30 60"])
def test_a_halt_or_a_motion_that_ends_by_itself_ends_a_drive(end):
    assert findings("never_halted", heard("E0 31 69 00", 1.0), heard(end, 2.0)) == []


@pytest.mark.parametrize("order", ["E0 31 69 05", "E0 31 69 FF", "E0 31 6B 07", "E0 10 69 00"])
def test_what_needs_no_halt(order):
    assert findings("never_halted", heard(order, 1.0)) == []
