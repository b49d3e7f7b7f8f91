"""What can be done next, in words: from an unknown rig to both limits set and positions stored."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bridge.diagnosis import MotionWatch, Standstill
from tui.console.travel_ends import counts_to, describe_stop, left_side, other

if TYPE_CHECKING:
    from bridge.bus.command import Side
    from bridge.helm.snapshot import Scale, Snapshot

BACK_OFF = (5, 10)  # counts from an end to its soft limit (common practice)
NEAR = 25  # counts from the best within which a person is peaking, about two degrees (judgement)
AT_PEAK_DB = 0.15  # dB below the best seen that still count as the peak (judgement)

_JOG = {"east": "e", "west": "w"}


@dataclass(frozen=True, slots=True)
class Advice:
    """Two lines: what is going on, and what to do next."""

    now: str
    next: str


class Guide:
    """Watches snapshots, notices when counts stop, and advises what comes next.

    A place where counts stopped under power, with no current or none to be read, is taken for an
    end until the dish drives past it.
    """

    def __init__(self) -> None:
        self.ends: dict[Side, int] = {}
        self._stops: dict[Side, int] = {}  # where counts stopped while a side was driven
        self._motion = MotionWatch()

    def advise(self, snapshot: Snapshot, scale: Scale, now_s: float) -> Advice:
        """Take the snapshot in at a moment of the monotonic clock, and advise."""
        self._watch(snapshot, now_s)
        self.ends = dict(self._stops)
        if snapshot.east_end is not None:
            self.ends["east"] = snapshot.east_end
        if snapshot.west_end is not None:
            self.ends["west"] = snapshot.west_end
        if snapshot.link != "open":
            return _link_advice(snapshot)
        if not snapshot.acknowledged:
            return Advice("The cautions are not acknowledged yet, so nothing moves.", "Press e.")
        if snapshot.moving is not None:
            return self._moving_advice(snapshot, scale)
        if snapshot.count is None:
            return Advice(
                "This port brings no counts, so an arrival is never seen here.",
                "Keep the dish in sight; e and w step it, SPACE halts.",
            )
        return self._limits_advice(snapshot, scale) or _peak_advice(snapshot)

    def _watch(self, snapshot: Snapshot, now_s: float) -> None:
        motion, side = self._motion, snapshot.moving
        stood = motion.standstill is not None and motion.side == side
        motion.see(now_s, side, snapshot.count, snapshot.motor_a)
        if side is None or snapshot.count is None:
            return
        if motion.standstill in (Standstill.END_SWITCH, Standstill.UNMEASURED):
            self._stops[side] = snapshot.count
        elif stood and motion.standstill is None:  # it only paused
            self._stops.pop(side, None)

    def _moving_advice(self, snapshot: Snapshot, scale: Scale) -> Advice:
        side = snapshot.moving
        assert side is not None
        if snapshot.count is not None and self._motion.standstill is not None:
            match self._motion.standstill:
                case Standstill.UNMEASURED:
                    why = f"the {side} end, or it is blocked"
                case Standstill.END_SWITCH:
                    why = "no current: end switch open, or a broken wire"
                case _:
                    why = f"{snapshot.motor_a or 0.0:.1f} A flow: it may be blocked"
            return Advice(
                f"No counts at {snapshot.count} going {side}; {why}.",
                "SPACE halts. The controller cuts the motor by itself after a few seconds.",
            )
        ahead = describe_stop(side, snapshot, scale)
        return Advice(f"Driving {side}, {ahead}.", "SPACE halts at once.")

    def _limits_advice(self, snapshot: Snapshot, scale: Scale) -> Advice | None:
        """The way to two soft limits, one step at a time."""
        limits = {"east": snapshot.limit_east, "west": snapshot.limit_west}
        missing = [side for side in _order(self, scale) if limits[side] is None]
        if not missing:
            if snapshot.limits_on is not True:
                return Advice(
                    f"Soft limits are known ({snapshot.limit_east} and {snapshot.limit_west}) "
                    "but off.",
                    "Next: turn the limits on (press l, then n).",
                )
            return None
        side = missing[0]
        end = self.ends.get(side)
        if end is None and snapshot.limits_on is not False:
            return Advice(
                f"To find the {side} end, an old soft limit could stop the dish short of it.",
                "Next: turn the limits off (press l, then f).",
            )
        step = "the second limit" if len(missing) == 1 else "two limits to set"
        if end is None:
            return Advice(
                f"The {side} soft limit is not set ({step}).",
                f"Next: find the {side} end: d, then 120s, Enter, {_JOG[side]} (120 s at most; "
                "watch it).",
            )
        count = snapshot.count
        assert count is not None
        off = count - end if side == "east" else end - count
        if off < BACK_OFF[0]:
            back = other(side)
            return Advice(
                f"The {side} end is at {end}; the dish is {max(off, 0)} from it.",
                f"Next: back off {BACK_OFF[0]}-{BACK_OFF[1]} counts: "
                f"press {_JOG[back]} (one count {back}) a few times.",
            )
        return Advice(
            f"{off} counts from the {side} end at {end}"
            + ("." if off <= BACK_OFF[1] else f"; {BACK_OFF[0]}-{BACK_OFF[1]} is common."),
            f"Next: set the {side} limit here at {count} (press l, then {_JOG[side]}).",
        )


def _order(guide: Guide, scale: Scale) -> tuple[Side, Side]:
    """The side whose end was found and not yet dealt with comes first."""
    first: Side = "east"
    if "west" in guide.ends and "east" not in guide.ends:
        first = "west"
    return first, other(first)


def _link_advice(snapshot: Snapshot) -> Advice:
    if snapshot.link == "opening":
        return Advice(f"Opening {snapshot.port} ...", "Nothing to do yet.")
    if snapshot.link == "lost":
        return Advice(
            "The adapter is gone; it halts the motor by itself when it hears nothing.",
            "Next: look at cable and supply; plug it in again.",
        )
    return Advice(f"{snapshot.port} is closed.", "Press q to leave.")


def _peak_advice(snapshot: Snapshot) -> Advice:
    """Both limits are set and on: choose, drive, peak, store."""
    row = next((row for row in snapshot.positions if row.number == snapshot.selected), None)
    what = f"position {snapshot.selected}" + (f" {row.name}" if row and row.name else "")
    count = snapshot.count
    assert count is not None
    if snapshot.best_db is not None and snapshot.signal_db is not None:
        behind = snapshot.best_db - snapshot.signal_db
        if behind <= AT_PEAK_DB:
            return Advice(
                "At the best signal seen so far.",
                f"Next: try one count either way (e, w); store it as {what} with s.",
            )
        if snapshot.best_count is not None and 0 < abs(snapshot.best_count - count) <= NEAR:
            return Advice(
                f"{behind:.1f} dB under the best; the best was "
                f"{counts_to(count, snapshot.best_count)}.",
                f"Next: step back to it (e, w); m marks anew; s stores {what}.",
            )
    if row is not None and row.count is not None:
        return Advice(
            f"Limits {snapshot.limit_east} to {snapshot.limit_west} are on.",
            f"Next: g goes to {what} at {row.count}; up and down select another.",
        )
    where = ""
    if row is not None and row.predicted is not None:
        where = f" {what[0].upper()}{what[1:]} is predicted {counts_to(count, row.predicted)}."
    return Advice(
        f"Limits {snapshot.limit_east} to {snapshot.limit_west} are on.{where}",
        "Next: drive to its satellite (d), peak with e and w, store with s.",
    )


def sides_of_view(hemisphere: str) -> str:
    """Which side lies left and which right, in words."""
    left = left_side(hemisphere)
    return f"{left} is on your left, {other(left)} on your right"
