"""Named faults of a rig, as data: what each does, and what a person sees of it.

`name` or `name:amount`, any number together. What each shows is common practice.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace

from bridge.errors import YardError


@dataclass(frozen=True, slots=True)
class Effects:
    """Everything that faults may change; all zero is a healthy rig."""

    lost_counts: float = 0.0
    slip_mm: float = 0.0
    twist_deg: float = 0.0
    impatient: bool = False
    miss_west: float = 0.0  # chance for each pulse
    miss_east: float = 0.0
    double: float = 0.0
    sensor_dead: bool = False
    sheared: bool = False
    jammed: bool = False
    open_circuit: bool = False
    reversed_pair: bool = False
    polarity_swapped: bool = False
    cable_ohm: float = 0.0
    neighbour: float = 0.0  # the position that is stored on the satellite east of its own


@dataclass(frozen=True, slots=True)
class RigFault:
    """A named fault: the effects it sets, scaled by an amount where it has one."""

    name: str
    does: str
    shows: str
    effects: tuple[str, ...]
    amount: float | None = None  # the usual one; None for a fault that is there or not
    low: float = 0.0
    high: float = 0.0
    unit: str = ""


_ALL = (
    RigFault(
        "lost-counts",
        "the counter was set back by so many counts",
        "both ends and all satellites read that much less; full signal after a nudge",
        ("lost_counts",),
        10,
        -500,
        500,
        "counts",
    ),
    RigFault(
        "slipped-clamp",
        "the clamp slipped along the actuator's tube",
        "satellites shift alike, the ends do not; the fence is met sooner",
        ("slip_mm",),
        5,
        -100,
        100,
        "mm",
    ),
    RigFault(
        "twisted-pole",
        "the pole turned clockwise seen from above",
        "unequal shift, by counts per degree; signal not recovered at the ends of the arc",
        ("twist_deg",),
        1,
        -10,
        10,
        "deg",
    ),
    RigFault(
        "quick-reversals",
        "on a reversal the controller changes its sign before the coast is over",
        "drift grows with the number of reversals; drives under 0.5 s apart",
        ("impatient",),
    ),
    RigFault(
        "wet-sensor",
        "water in the reed: pulses missing while it moves west",
        "missing counts moving west, uneven rate",
        ("miss_west",),
        8,
        0,
        100,
        "% of pulses",
    ),
    RigFault(
        "missing-pulses",
        "pulses missing both ways",
        "missing counts, the error wanders",
        ("miss_west", "miss_east"),
        1,
        0,
        100,
        "% of pulses",
    ),
    RigFault(
        "bouncing-sensor",
        "a closing contact bounces and is counted twice",
        "extra counts, uneven rate",
        ("double",),
        2,
        0,
        100,
        "% of pulses",
    ),
    RigFault(
        "open-sensor",
        "the sensor's wire is broken",
        "no counts, the motor runs until cut off; signal changes while counts do not",
        ("sensor_dead",),
    ),
    RigFault(
        "stripped-coupling",
        "the motor turns, the actuator does not",
        "no counts, free current, signal unchanged",
        ("sheared",),
    ),
    RigFault(
        "jam", "the actuator is frozen in", "no counts, high current until the trip", ("jammed",)
    ),
    RigFault(
        "supply-open", "the motor's circuit is open", "no counts, no current", ("open_circuit",)
    ),
    RigFault(
        "reversed-pair",
        "the motor's two wires are swapped",
        "the sign of the counts opposes the motion; the signal worsens",
        ("reversed_pair",),
    ),
    RigFault(
        "polarity-swapped",
        "the LNB is told the other polarization",
        "counts and motor normal; every second transponder lost",
        ("polarity_swapped",),
    ),
    RigFault(
        "cable-drop",
        "resistance in the cable",
        "slow, the voltage sags while moving, messages lost while moving, less signal at 18 V",
        ("cable_ohm",),
        8,
        0,
        20,
        "ohm",
    ),
    RigFault(
        "wrong-satellite",
        "a stored position is that of the neighbour in the east",
        "exactly one spacing off, with a strong signal",
        ("neighbour",),
        6,
        1,
        255,
        "position",
    ),
)

FAULTS: dict[str, RigFault] = {fault.name: fault for fault in _ALL}
_PERCENT = ("miss_west", "miss_east", "double")


def effects_of(names: Iterable[str]) -> Effects:
    """All the named faults together; amounts of the same kind add. Raises YardError.

    >>> effects_of(["lost-counts:12", "jam"]).lost_counts
    12.0
    """
    effects = Effects()
    for name in names:
        fault, amount = _parse(name)
        for key in fault.effects:
            if amount is None:
                effects = replace(effects, **{key: True})
            else:
                share = amount / 100.0 if key in _PERCENT else amount
                effects = replace(effects, **{key: getattr(effects, key) + share})
    for key in _PERCENT:
        effects = replace(effects, **{key: min(1.0, getattr(effects, key))})
    return effects


def _parse(name: str) -> tuple[RigFault, float | None]:
    word, colon, number = name.strip().partition(":")
    fault = FAULTS.get(word)
    if fault is None:
        raise YardError(f"fault '{word}' is unknown; known are {', '.join(FAULTS)}")
    if not colon:
        return fault, fault.amount
    if fault.amount is None:
        raise YardError(f"fault '{word}' takes no amount; write it without ':{number}'")
    allowed = f"{fault.low:g} to {fault.high:g} {fault.unit}"
    try:
        amount = float(number)
    except ValueError:
        raise YardError(
            f"fault '{word}': amount '{number}' is no number; allowed is {allowed}"
        ) from None
    if not fault.low <= amount <= fault.high:
        raise YardError(f"fault '{word}': amount {amount:g} is outside {allowed}")
    return fault, amount


_KNOWN = {item.name for item in fields(Effects)}
if unknown := {key for fault in _ALL for key in fault.effects} - _KNOWN:
    raise AssertionError(f"faults set effects that are not there: {unknown}")
