"""A position list held against a log of what was sent to the positioner, and of counts seen.

A bus that goes one way confirms nothing: a store or a limit in a log was sent, and only a count
seen beside it, or one at which the dish came to rest after it was sent back, says where.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise

from bridge.log.actions import Act, Log
from bridge.station.model import Position, Station
from sim.lists.check import Finding
from sim.station_rig import ends_of

ARRIVES = 4  # counts off that coast and backlash leave (common practice, 1-3 and 1-4)
END_SLACK = 3  # counts by which an end met again may differ: its coast (common practice)
SIDES = ("east", "west")
_VOIDS = {
    "reset": ("reset", "a reset was sent {at}, which may clear stored positions and limits"),
    "recalculate": (
        "recalculated",
        "a recalculation was sent {at}, which may move every stored position",
    ),
    "write counter": ("counter written", "a counter write was sent {at}, which may move them all"),
}


@dataclass(frozen=True, slots=True)
class _Held:
    """What the positioner should hold of one position or limit; `count` None was not seen."""

    act: Act
    count: int | None
    void: Act | None = None


@dataclass(slots=True)
class _Belief:
    """What the log makes one believe, its counts all as the counter reads at the end."""

    stored: dict[int, _Held] = field(default_factory=dict)
    gone_to: dict[int, Act] = field(default_factory=dict)
    arrived: dict[int, _Held] = field(default_factory=dict)  # the last one of each position
    strayed: list[Finding] = field(default_factory=list)
    limits: dict[str, _Held] = field(default_factory=dict)
    limits_on: tuple[bool, Act] | None = None
    ends: dict[str, list[_Held]] = field(default_factory=dict)
    voids: list[Act] = field(default_factory=list)
    told: list[Finding] = field(default_factory=list)  # of the list as a whole

    def recount(self, act: Act) -> None:
        """From here on every place has another count, also those noted before."""
        step = None if act.count is None or act.number is None else act.number - act.count

        def anew(held: _Held) -> _Held:
            known = None if held.count is None or step is None else held.count + step
            return replace(held, count=known)

        for book in (self.stored, self.arrived):
            for number in book:
                book[number] = anew(book[number])
        self.limits = {side: anew(held) for side, held in self.limits.items()}
        self.ends = {side: [anew(held) for held in met] for side, met in self.ends.items()}

    def void(self, act: Act) -> None:
        self.voids.append(act)
        self.stored = {n: replace(held, void=act) for n, held in self.stored.items()}
        if act.did == "reset":
            self.limits = {side: replace(held, void=act) for side, held in self.limits.items()}


def compare_log(station: Station, log: Log) -> list[Finding]:
    """What differs between a list and a log, the list as a whole first, then each position."""
    rows = {row.number: row for row in station.position}
    belief = _follow(log, rows)
    found = [*_whole(belief, log), *_limits(station, belief), *_ends(station, belief)]
    for number in sorted(rows.keys() | belief.stored.keys() | belief.gone_to.keys()):
        found += _position(number, rows.get(number), belief)
    return found


def _follow(log: Log, rows: dict[int, Position]) -> _Belief:
    belief = _Belief()
    bound_for: Act | None = None
    for act in log.acts:
        if act.did == "store" and act.number is not None:
            belief.stored[act.number] = _Held(act, act.count)
            belief.arrived.pop(act.number, None)
            belief.limits_on = (True, act)
        elif act.did == "goto":
            bound_for = act
            if act.number:
                belief.gone_to[act.number] = act
        elif act.did in ("halt", "drive"):
            bound_for = None
        elif act.did == "rest":
            if bound_for is not None and bound_for.number and act.count is not None:
                belief.arrived[bound_for.number] = _Held(act, act.count)
            bound_for = None
        elif act.did == "limit" and act.side is not None:
            belief.limits[act.side] = _Held(act, act.count)
            belief.limits_on = (True, act)
        elif act.did in ("limits on", "limits off"):
            belief.limits_on = (act.did == "limits on", act)
        elif act.did == "end" and act.side is not None:
            belief.ends.setdefault(act.side, []).append(_Held(act, act.count))
        elif act.did == "recount":
            belief.recount(act)
        elif act.did in _VOIDS:
            belief.void(act)
        elif act.did == "restart":
            said = f"the adapter restarted, {act.at}: counts before and after may not be the same"
            belief.told.append(Finding(None, "adapter restarted", said, line=act.line))
        elif act.did == "reference lost":
            said = f"the positioner said, {act.at}, that its position reference is lost"
            belief.told.append(Finding(None, "reference lost", said, line=act.line))
    return belief


def _whole(belief: _Belief, log: Log) -> Iterator[Finding]:
    yield from belief.told
    for act in belief.voids:
        code, says = _VOIDS[act.did]
        gone = [number for number, held in belief.stored.items() if held.void == act]
        after = ""
        if gone:
            after = f"; not stored again after it: {', '.join(map(str, sorted(gone)))}"
        says = says.format(at=act.at)
        yield Finding(None, code, f"{says}{after}; prove the list by going back", line=act.line)
    if belief.limits_on is not None and not belief.limits_on[0]:
        act = belief.limits_on[1]
        said = f"the limits were switched off, {act.at}, and not on again"
        yield Finding(None, "limits off", said, line=act.line)
    if log.unread:
        frames = "1 message" if log.unread == 1 else f"{log.unread} messages"
        said = f"{frames} could not be read whole, so what they said is not in this"
        yield Finding(None, "unread", said, False)


def _limits(station: Station, belief: _Belief) -> Iterator[Finding]:
    for side in SIDES:
        told = None if station.limits is None else int(getattr(station.limits, side))
        held = belief.limits.get(side)
        code = f"limits.{side}"
        if held is None:
            if told is not None and belief.limits.keys() != set():
                said = f"the {side} limit {told} of the file was not set in the log"
                yield Finding(None, code, said, False)
            continue
        line, at = held.act.line, held.act.at
        if held.count is None:
            said = f"the {side} limit was sent, {at}, with no count seen"
            yield Finding(
                None, code, f"{said}: the file's {_said(told)} is not proved", False, line
            )
        elif told is None:
            said = f"the {side} limit was sent at count {held.count}, {at}; the file has none"
            yield Finding(None, code, said, line=line)
        elif told != held.count:
            said = f"the {side} limit was sent at count {held.count}, {at}, the file has {told}"
            yield Finding(None, code, f"{said} ({told - held.count:+d})", line=line)


def _ends(station: Station, belief: _Belief) -> Iterator[Finding]:
    for side, met in belief.ends.items():
        known = [held for held in met if held.count is not None]
        for first, again in pairwise(known):
            step = (again.count or 0) - (first.count or 0)
            if abs(step) > END_SLACK:
                said = (
                    f"the {side} end was met at {first.count}, {first.act.at}, and at"
                    f" {again.count}, {again.act.at}: counts were lost between, or it stopped"
                    " for another reason"
                )
                yield Finding(None, "counts lost", said, line=again.act.line)
        told = ends_of(station).get(side)
        if told is not None and known and abs((known[-1].count or 0) - told) > END_SLACK:
            said = (
                f"the {side} end was met at {known[-1].count}, {known[-1].act.at}; the file says"
                f" {told}: counts were lost since, or it stopped for another reason"
            )
            yield Finding(None, f"ends.{side}", said, line=known[-1].act.line)


def _position(number: int, row: Position | None, belief: _Belief) -> Iterator[Finding]:
    held, arrived = belief.stored.get(number), belief.arrived.get(number)
    if row is None:
        act = held.act if held is not None else belief.gone_to[number]
        did = "store was sent" if held is not None else "the dish was sent there"
        at = "" if held is None or held.count is None else f" at count {held.count}"
        said = f"{did}{at}, {act.at}; the file has no position {number}"
        yield Finding(number, "not in the file", said, line=act.line)
        return
    if held is not None and held.void is None:
        yield from _stored(row, held)
    if arrived is not None:
        yield from _arrival(row, held, arrived)
    proved = arrived is not None or (held is not None and held.void is None)
    if row.count is not None and not proved:
        gone = belief.gone_to.get(number)
        said = f"count {row.count} of {row.name} was neither stored nor gone to in the log"
        if gone is not None:
            said = f"{row.name} was gone to, {gone.at}, and no count was seen on arriving"
        elif held is not None and held.void is not None:
            said = f"{row.name} was stored, {held.act.at}, before a {held.void.did}"
        yield Finding(number, "not proved", said, False)


def _stored(row: Position, held: _Held) -> Iterator[Finding]:
    at, line = held.act.at, held.act.line
    if held.count is None:
        said = f"store was sent, {at}, with no count seen: the file's {_said(row.count)} is not"
        yield Finding(row.number, "no count", f"{said} proved by it", False, line)
    elif row.count is None:
        said = f"store was sent at count {held.count}, {at}; {row.name} is not taught in the file"
        yield Finding(row.number, "not taught", said, line=line)
    elif row.count != held.count:
        said = f"store was sent at count {held.count}, {at}; the file has {row.count}"
        yield Finding(row.number, "count", f"{said} ({row.count - held.count:+d})", line=line)


def _arrival(row: Position, held: _Held | None, arrived: _Held) -> Iterator[Finding]:
    """A return by number that ended elsewhere than where it was stored."""
    stored = held.count if held is not None and held.void is None else None
    expected = row.count if stored is None else stored
    if expected is None or arrived.count is None:
        return
    off = arrived.count - expected
    if abs(off) > ARRIVES:
        whose = "the file has it" if stored is None else "it was stored"
        said = (
            f"sent to {row.name}, the dish came to rest at count {arrived.count},"
            f" {arrived.act.at}, {off:+d} from {expected} where {whose}: counts were lost, or the"
            " positioner holds another place"
        )
        yield Finding(row.number, "arrived elsewhere", said, line=arrived.act.line)


def _said(count: int | None) -> str:
    return "none" if count is None else str(count)
