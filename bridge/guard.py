"""The rules of motion: what may leave for the bus, and for how long it may move.

Nothing here is a safety device. The rules keep an honest operator from common mistakes; the motor
supply's own isolator is what protects people.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge import trade
from bridge.bus import standard as std
from bridge.bus.addresses import POSITIONERS
from bridge.bus.command import (
    Drive,
    Goto,
    GotoAngle,
    Halt,
    Limits,
    SetLimit,
    Side,
    Store,
    command_of,
)
from bridge.bus.frame import Frame
from bridge.bus.meaning import plural
from bridge.errors import NotConfirmed, Refused

REVERSAL_WAIT_S = trade.REVERSAL_WAIT_S.high  # s, the careful end
LONGEST_GOTO_S = trade.END_TO_END_S.high  # s, so that the slowest actuator arrives
SLOWEST_COUNTS_PER_S = trade.SLOW_COUNTS_PER_S.low  # counts/s, so that a laboured one does too
MARGIN_S = 3.0  # s granted over a bound before the guard halts by itself (judgement)

_ASKED_TWICE = {
    std.SET_POSITIONS: "it can overwrite every stored position",
    std.RESET: "a reset may clear the limits and the count",
    std.WRITE_COUNTER: "its use is not settled, and it may move every position",
    std.GOTO_COUNTER: "its use is not settled, and the dish may move",
}


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known when a command is about to leave; None is not known."""

    acknowledged: bool = False
    count: int | None = None
    moving: Side | None = None
    last_side: Side | None = None
    since_motion_s: float = float("inf")
    limits_on: bool | None = None
    limit_east: int | None = None
    limit_west: int | None = None


@dataclass(frozen=True, slots=True)
class Permit:
    """Leave to send; motion that outlasts `bound_s` is to be halted. None: nothing moves."""

    bound_s: float | None = None


def _check_form(frame: Frame) -> None:
    data = frame.build()
    if not std.SHORTEST_COMMAND <= len(data) <= std.LONGEST_COMMAND:
        raise Refused(
            f"{frame.hex} has {len(data)} bytes; a command has {std.SHORTEST_COMMAND} to "
            f"{std.LONGEST_COMMAND}"
        )
    if frame.framing not in std.FRAMINGS or frame.is_reply:
        raise Refused(f"{frame.hex} does not start a command; commands start with E0 to E3")


def _check_unbounded(frame: Frame) -> None:
    """A drive must carry its bound, to whatever address and however it is spelled."""
    if frame.command in (std.GO_EAST, std.GO_WEST):
        raise Refused(
            f"{frame.hex} may drive without a bound; say 'drive east|west N counts' instead"
        )
    if frame.command in (std.DRIVE_EAST, std.DRIVE_WEST) and (
        len(frame.data) != 1 or frame.data[0] == 0
    ):
        raise Refused(
            f"{frame.hex} drives without a bound; say N counts (1-128) or N seconds (1-127)"
        )


def _check_reversal(side: Side, now: Situation) -> None:
    if now.moving is not None and now.moving != side:
        raise Refused(f"still driving {now.moving}; halt first, then wait {REVERSAL_WAIT_S:g} s")
    if now.last_side not in (None, side) and now.since_motion_s < REVERSAL_WAIT_S:
        raise Refused(
            f"moved {now.last_side} {now.since_motion_s:.1f} s ago; wait {REVERSAL_WAIT_S:g} s "
            f"before going {side}, so that the coast is not counted backwards"
        )


def _room(side: Side, now: Situation) -> int | None:
    """Counts left to the soft limit ahead, where it is known and on."""
    limit = now.limit_east if side == "east" else now.limit_west
    if not now.limits_on or limit is None or now.count is None:
        return None
    return now.count - limit if side == "east" else limit - now.count


def _check_room(command: Drive, now: Situation) -> None:
    room = _room(command.side, now)
    if room is None:
        return
    limit = now.limit_east if command.side == "east" else now.limit_west
    if room <= 0:
        raise Refused(f"at the {command.side} soft limit {limit}; drive the other way")
    if command.counts is not None and command.counts > room:
        raise Refused(
            f"{plural(command.counts, 'count')} {command.side} would pass the soft limit at "
            f"{limit}; {plural(room, 'count')} are left"
        )


def _check_limit(command: SetLimit, now: Situation) -> None:
    if now.count is None:
        return
    other = now.limit_west if command.side == "east" else now.limit_east
    if other is None:
        return
    if (command.side == "east") == (now.count >= other):
        opposite = "west" if command.side == "east" else "east"
        raise Refused(
            f"{command.side} limit at {now.count} would lie {opposite} of the {opposite} limit "
            f"{other}; counts grow west"
        )


def permit(frame: Frame, now: Situation, *, asked_twice: bool = False) -> Permit:
    """Leave to send `frame`, and for how long it may move. Raises Refused with the reason.

    A halt is always permitted.
    """
    command = command_of(frame)
    if isinstance(command, Halt):
        return Permit()
    _check_form(frame)
    if frame.address not in POSITIONERS:
        return Permit()
    _check_unbounded(frame)
    why = _ASKED_TWICE.get(frame.command) if frame.command is not None else None
    if why and not asked_twice:
        raise NotConfirmed(f"{frame.hex} needs to be asked for twice: {why}")
    moves = isinstance(command, Drive | Goto | GotoAngle) or frame.command in (
        std.GOTO_ANGLE,
        std.GOTO_COUNTER,
        std.SET_POSITIONS,
    )
    if moves and not now.acknowledged:
        raise Refused("acknowledge the cautions first; nothing moves before")
    match command:
        case Drive(side, counts, seconds):
            _check_reversal(side, now)
            _check_room(command, now)
            if seconds is not None:
                return Permit(seconds + MARGIN_S)
            return Permit((counts or 0) / SLOWEST_COUNTS_PER_S + MARGIN_S)
        case SetLimit() | Store() if now.moving is not None:
            raise Refused(f"driving {now.moving}; halt and let it come to rest first")
        case SetLimit():
            _check_limit(command, now)
        case Limits():
            pass
    return Permit(LONGEST_GOTO_S if moves else None)
