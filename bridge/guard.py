"""The rules of motion: what may leave for the bus, and for how long it may move.

Nothing here is a safety device. The rules keep an honest operator from common mistakes; the motor
supply's own isolator is what protects people.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge import trade_figures as trade
from bridge.bus import standard as std
from bridge.bus.addresses import POSITIONERS
from bridge.bus.command import (
    Drive,
    Goto,
    GotoAngle,
    Halt,
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

# Commands that are sent only once they are confirmed, and why
_FAR_REACHING = {
    std.SET_POSITIONS: "it can overwrite every stored position",
    std.RESET: "a reset may clear the limits and the count",
    std.WRITE_COUNTER: "its use is not settled, and it may move every position",
    std.GOTO_COUNTER: "its use is not settled, and the dish may move",
}
# Commands that may move the dish even where their data is no command that the guard knows
_MAY_MOVE = (std.GOTO_ANGLE, std.GOTO_COUNTER, std.SET_POSITIONS)


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

    def limit(self, side: Side) -> int | None:
        """The soft limit of that side."""
        return self.limit_east if side == "east" else self.limit_west


@dataclass(frozen=True, slots=True)
class Permit:
    """Leave to send; motion that outlasts `bound_s` is to be halted. None: nothing moves."""

    bound_s: float | None = None


def permit(frame: Frame, now: Situation, *, confirmed: bool = False) -> Permit:
    """Leave to send `frame`, and for how long it may move.

    A halt is always permitted. Raises Refused with the reason, and NotConfirmed for what is
    permitted only when `confirmed`.
    """
    command = command_of(frame)
    if isinstance(command, Halt):
        return Permit()
    _check_form(frame)
    if frame.address not in POSITIONERS:
        return Permit()
    _check_bound(frame)
    if frame.command in _FAR_REACHING and not confirmed:
        raise NotConfirmed(f"{frame.hex} needs a confirmation: {_FAR_REACHING[frame.command]}")
    moves = isinstance(command, Drive | Goto | GotoAngle) or frame.command in _MAY_MOVE
    if moves and not now.acknowledged:
        raise Refused("acknowledge the cautions first; nothing moves before")
    match command:
        case Drive():
            _check_reversal(command.side, now)
            _check_room(command, now)
            return Permit(_drive_s(command) + MARGIN_S)
        case SetLimit() | Store() if now.moving is not None:
            raise Refused(f"driving {now.moving}; halt and let it come to rest first")
        case SetLimit(side):
            _check_limit(side, now)
    return Permit(LONGEST_GOTO_S if moves else None)


def _check_form(frame: Frame) -> None:
    length = len(frame.build())
    if not std.SHORTEST_COMMAND <= length <= std.LONGEST_COMMAND:
        raise Refused(
            f"{frame.hex} is no command: it has {plural(length, 'byte')}, and a command has "
            f"{std.SHORTEST_COMMAND} to {std.LONGEST_COMMAND}"
        )
    if not frame.is_command:
        raise Refused(f"{frame.hex} does not start a command; commands start with E0 to E3")


def _check_bound(frame: Frame) -> None:
    """A drive must carry its bound, however it is spelled."""
    if frame.command in (std.GO_EAST, std.GO_WEST):
        raise Refused(
            f"{frame.hex} may drive without a bound; say 'drive east|west N counts' instead"
        )
    bounded = len(frame.data) == 1 and any(frame.data)
    if frame.command in (std.DRIVE_EAST, std.DRIVE_WEST) and not bounded:
        raise Refused(
            f"{frame.hex} drives without a bound; say N counts (1-128) or N seconds (1-127)"
        )


def _drive_s(drive: Drive) -> float:
    """The longest that a drive with a bound can last, s."""
    if drive.counts is not None:
        return drive.counts / SLOWEST_COUNTS_PER_S
    assert drive.seconds is not None  # a drive without a bound was refused before
    return drive.seconds


def _check_reversal(side: Side, now: Situation) -> None:
    if now.moving is not None and now.moving != side:
        raise Refused(f"still driving {now.moving}; halt first, then wait {REVERSAL_WAIT_S:g} s")
    if now.last_side not in (None, side) and now.since_motion_s < REVERSAL_WAIT_S:
        raise Refused(
            f"moved {now.last_side} {now.since_motion_s:.1f} s ago; wait {REVERSAL_WAIT_S:g} s "
            f"before going {side}, so that the coast is not counted backwards"
        )


def _check_room(drive: Drive, now: Situation) -> None:
    """A drive ends inside the soft limit ahead, where that is known and on; counts grow west."""
    limit = now.limit(drive.side)
    if not now.limits_on or limit is None or now.count is None:
        return
    room = now.count - limit if drive.side == "east" else limit - now.count
    if room <= 0:
        raise Refused(f"at the {drive.side} soft limit {limit}; drive the other way")
    if drive.counts is not None and drive.counts > room:
        left = "1 count is left" if room == 1 else f"{room} counts are left"
        raise Refused(
            f"{plural(drive.counts, 'count')} {drive.side} would pass the soft limit at {limit}; "
            f"{left}"
        )


def _check_limit(side: Side, now: Situation) -> None:
    """Neither limit may pass the other."""
    opposite: Side = "west" if side == "east" else "east"
    other = now.limit(opposite)
    if now.count is None or other is None:
        return
    if now.count >= other if side == "east" else now.count < other:
        raise Refused(
            f"{side} limit at {now.count} would lie {opposite} of the {opposite} limit "
            f"{other}; counts grow west"
        )
