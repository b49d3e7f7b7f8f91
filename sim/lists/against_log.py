"""A position list held against a log of what was sent to the positioner, and of counts seen.

A bus that goes one way confirms nothing: a store or a limit in a log was sent, and only a count
seen beside it, or one at which the dish came to rest after it was sent back, says where.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise

from bridge.bus.command import Side
from bridge.log.actions import Action, ActionKind, ActionLog
from bridge.station.model import Position, Station
from sim.lists.finding import ListFinding
from sim.station_rig import ends_of

ARRIVES = 4  # counts off that coast and backlash leave (common practice, 1-3 and 1-4)
END_SLACK = 3  # counts by which an end met twice may differ: its coast (common practice, 1-3)
SIDES: tuple[Side, Side] = ("east", "west")
_VOIDS: dict[ActionKind, tuple[str, str]] = {
    "reset": ("reset", "a reset was sent {at}, which may clear stored positions and limits"),
    "recalculate": (
        "recalculated",
        "a recalculation was sent {at}, which may move every stored position",
    ),
    "write counter": ("counter written", "a counter write was sent {at}, which may move them all"),
}


@dataclass(frozen=True, slots=True)
class _Place:
    """A position, limit or end by the log: `count` None was not seen, `void` what undid it."""

    action: Action
    count: int | None
    void: Action | None = None


@dataclass(slots=True)
class _Belief:
    """What the log makes one believe, its counts all as the counter reads at the end."""

    stored: dict[int, _Place] = field(default_factory=dict)
    gone_to: dict[int, Action] = field(default_factory=dict)
    arrived: dict[int, _Place] = field(default_factory=dict)  # the last one of each position
    limits: dict[Side, _Place] = field(default_factory=dict)
    limits_on: bool = True
    limits_switched: Action | None = None
    ends: dict[Side, list[_Place]] = field(default_factory=dict)
    voids: list[Action] = field(default_factory=list)
    doubts: list[ListFinding] = field(default_factory=list)  # of the list as a whole

    def switch_limits(self, on: bool, action: Action) -> None:
        """The limits were switched, by themselves or with a store."""
        self.limits_on, self.limits_switched = on, action

    def recount(self, action: Action) -> None:
        """From here on every place has another count, also those noted before."""
        step: int | None = None
        if action.count is not None and action.new_count is not None:
            step = action.new_count - action.count

        def moved(place: _Place) -> _Place:
            count = None if place.count is None or step is None else place.count + step
            return replace(place, count=count)

        self.stored = {number: moved(place) for number, place in self.stored.items()}
        self.arrived = {number: moved(place) for number, place in self.arrived.items()}
        self.limits = {side: moved(place) for side, place in self.limits.items()}
        self.ends = {side: [moved(place) for place in met] for side, met in self.ends.items()}

    def void(self, action: Action) -> None:
        """What was stored before this is no longer sure; a reset may clear the limits as well."""
        self.voids.append(action)
        self.stored = {n: replace(place, void=action) for n, place in self.stored.items()}
        if action.kind == "reset":
            self.limits = {side: replace(p, void=action) for side, p in self.limits.items()}


def compare_log(station: Station, log: ActionLog) -> list[ListFinding]:
    """What differs between a list and a log, the list as a whole first, then each position."""
    rows = {row.number: row for row in station.position}
    belief = _follow(log)
    found = [*_whole(belief, log), *_limits(station, belief), *_ends(station, belief)]
    for number in sorted(rows.keys() | belief.stored.keys() | belief.gone_to.keys()):
        found += _position(number, rows.get(number), belief)
    return found


def _follow(log: ActionLog) -> _Belief:
    belief = _Belief()
    target: int | None = None  # the position the dish is on its way to
    for action in log.actions:
        match action:
            case Action(kind="store", number=int(number)):
                belief.stored[number] = _Place(action, action.count)
                belief.arrived.pop(number, None)
                belief.switch_limits(True, action)
            case Action(kind="goto"):
                target = action.number or None
                if target is not None:
                    belief.gone_to[target] = action
            case Action(kind="halt" | "drive"):
                target = None
            case Action(kind="rest"):
                if target is not None and action.count is not None:
                    belief.arrived[target] = _Place(action, action.count)
                target = None
            case Action(kind="limit", side="east" | "west" as side):
                belief.limits[side] = _Place(action, action.count)
                belief.switch_limits(True, action)
            case Action(kind="limits on" | "limits off"):
                belief.switch_limits(action.kind == "limits on", action)
            case Action(kind="end", side="east" | "west" as side):
                belief.ends.setdefault(side, []).append(_Place(action, action.count))
            case Action(kind="recount"):
                belief.recount(action)
            case Action(kind="reset" | "recalculate" | "write counter"):
                belief.void(action)
            case Action(kind="restart" | "reference lost"):
                belief.doubts.append(_doubt(action))
    return belief


def _doubt(action: Action) -> ListFinding:
    """A reason to doubt all counts of the log."""
    if action.kind == "restart":
        detail = f"the adapter restarted, {action.at}: counts before and after may not be the same"
        return ListFinding(None, "adapter restarted", detail, line=action.line)
    detail = f"the positioner said, {action.at}, that its position reference is lost"
    return ListFinding(None, "reference lost", detail, line=action.line)


def _whole(belief: _Belief, log: ActionLog) -> Iterator[ListFinding]:
    yield from belief.doubts
    for action in belief.voids:
        code, detail = _VOIDS[action.kind]
        gone = sorted(n for n, place in belief.stored.items() if place.void == action)
        after = f"; not stored again after it: {', '.join(map(str, gone))}" if gone else ""
        detail = f"{detail.format(at=action.at)}{after}; prove the list by going back"
        yield ListFinding(None, code, detail, line=action.line)
    switched = belief.limits_switched
    if switched is not None and not belief.limits_on:
        detail = f"the limits were switched off, {switched.at}, and not on again"
        yield ListFinding(None, "limits off", detail, line=switched.line)
    if log.unreadable:
        frames = "1 message" if log.unreadable == 1 else f"{log.unreadable} messages"
        detail = f"{frames} could not be read whole, so what they said is not in this"
        yield ListFinding(None, "unread", detail, False)


def _limits(station: Station, belief: _Belief) -> Iterator[ListFinding]:
    for side in SIDES:
        listed = None if station.limits is None else int(getattr(station.limits, side))
        place = belief.limits.get(side)
        code = f"limits.{side}"
        if place is None:
            if listed is not None and belief.limits:
                detail = f"the {side} limit {listed} of the file was not set in the log"
                yield ListFinding(None, code, detail, False)
            continue
        line, at = place.action.line, place.action.at
        if place.count is None:
            detail = (
                f"the {side} limit was sent, {at}, with no count seen: the file's"
                f" {_count_text(listed)} is not proved"
            )
            yield ListFinding(None, code, detail, False, line)
        elif listed is None:
            detail = f"the {side} limit was sent at count {place.count}, {at}; the file has none"
            yield ListFinding(None, code, detail, line=line)
        elif listed != place.count:
            detail = (
                f"the {side} limit was sent at count {place.count}, {at}, the file has {listed}"
                f" ({listed - place.count:+d})"
            )
            yield ListFinding(None, code, detail, line=line)


def _ends(station: Station, belief: _Belief) -> Iterator[ListFinding]:
    for side, met in belief.ends.items():
        known = [(place.count, place.action) for place in met if place.count is not None]
        for (first, first_action), (second, second_action) in pairwise(known):
            if abs(second - first) > END_SLACK:
                detail = (
                    f"the {side} end was met at {first}, {first_action.at}, and at {second},"
                    f" {second_action.at}: counts were lost between, or it stopped for another"
                    " reason"
                )
                yield ListFinding(None, "counts lost", detail, line=second_action.line)
        listed = ends_of(station).get(side)
        if listed is None or not known:
            continue
        last, action = known[-1]
        if abs(last - listed) > END_SLACK:
            detail = (
                f"the {side} end was met at {last}, {action.at}; the file says {listed}: counts"
                " were lost since, or it stopped for another reason"
            )
            yield ListFinding(None, f"ends.{side}", detail, line=action.line)


def _position(number: int, row: Position | None, belief: _Belief) -> Iterator[ListFinding]:
    stored, arrived = belief.stored.get(number), belief.arrived.get(number)
    if row is None:
        yield _not_listed(number, stored, belief)
        return
    holds = stored if stored is not None and stored.void is None else None
    if holds is not None:
        yield from _stored(row, holds)
    if arrived is not None:
        yield from _arrival(row, holds, arrived)
    if row.count is None or arrived is not None or holds is not None:
        return
    gone = belief.gone_to.get(number)
    if gone is not None:
        detail = f"{row.name} was gone to, {gone.at}, and no count was seen on arriving"
    elif stored is not None and stored.void is not None:
        detail = f"{row.name} was stored, {stored.action.at}, before a {stored.void.kind}"
    else:
        detail = f"count {row.count} of {row.name} was neither stored nor gone to in the log"
    yield ListFinding(number, "not proved", detail, False)


def _not_listed(number: int, stored: _Place | None, belief: _Belief) -> ListFinding:
    action = belief.gone_to[number] if stored is None else stored.action
    done = "the dish was sent there" if stored is None else "store was sent"
    at = "" if stored is None or stored.count is None else f" at count {stored.count}"
    detail = f"{done}{at}, {action.at}; the file has no position {number}"
    return ListFinding(number, "not in the file", detail, line=action.line)


def _stored(row: Position, place: _Place) -> Iterator[ListFinding]:
    at, line = place.action.at, place.action.line
    if place.count is None:
        detail = (
            f"store was sent, {at}, with no count seen: the file's {_count_text(row.count)} is not"
            " proved by it"
        )
        yield ListFinding(row.number, "no count", detail, False, line)
    elif row.count is None:
        detail = (
            f"store was sent at count {place.count}, {at}; {row.name} is not taught in the file"
        )
        yield ListFinding(row.number, "not taught", detail, line=line)
    elif row.count != place.count:
        detail = (
            f"store was sent at count {place.count}, {at}; the file has {row.count}"
            f" ({row.count - place.count:+d})"
        )
        yield ListFinding(row.number, "count", detail, line=line)


def _arrival(row: Position, holds: _Place | None, arrived: _Place) -> Iterator[ListFinding]:
    """A return by number that ended elsewhere than where it was stored."""
    stored = None if holds is None else holds.count
    expected = row.count if stored is None else stored
    if expected is None or arrived.count is None:
        return
    off = arrived.count - expected
    if abs(off) > ARRIVES:
        source = "the file has it" if stored is None else "it was stored"
        detail = (
            f"sent to {row.name}, the dish came to rest at count {arrived.count},"
            f" {arrived.action.at}, {off:+d} from {expected} where {source}: counts were lost, or"
            " the positioner holds another place"
        )
        yield ListFinding(row.number, "arrived elsewhere", detail, line=arrived.action.line)


def _count_text(count: int | None) -> str:
    return "none" if count is None else str(count)
