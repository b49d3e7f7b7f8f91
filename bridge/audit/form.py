"""The form of commands to a positioner: their data, their address, and commands not settled."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.audit.finding import POSITIONER_NOTE, PRACTICE, Finding
from bridge.bus import addresses
from bridge.bus import standard as std
from bridge.bus.command import Goto, Store, command_of
from bridge.bus.frame import Frame
from bridge.bus.meaning import plural
from bridge.trade_figures import MANY_POSITIONS

_WITHOUT_DATA = (std.HALT, std.LIMIT_EAST, std.LIMIT_WEST)
_BOTH = {addresses.ANY_POSITIONER, addresses.POLAR_POSITIONER}


class Forms:
    """Follows one capture; only the mix of addresses needs more than one command."""

    def __init__(self) -> None:
        self._addresses: set[int] = set()

    def see(self, frame: Frame, t_s: float | None) -> Iterator[Finding]:
        """The findings about one command, if it reaches a positioner."""
        entry = std.COMMANDS.get(frame.command) if frame.command is not None else None
        if frame.address not in addresses.POSITIONERS or entry is None:
            return
        if entry.byte in _WITHOUT_DATA and frame.data:
            yield Finding(
                t_s,
                "trailing_data",
                "note",
                f"{frame.hex} carries data that {entry.name} does not have",
                "a strict positioner ignores it",
                POSITIONER_NOTE,
                plural(len(frame.data), "byte"),
                "none",
            )
        if not entry.sure:
            yield _unsettled(frame, entry.byte, t_s)
        if entry.byte >= std.HALT:
            yield from self._see_address(frame.address, t_s)
        match command_of(frame):
            case Goto(number) | Store(number) if number > MANY_POSITIONS:
                yield Finding(
                    t_s,
                    "many_positions",
                    "note",
                    f"position {number}",
                    f"a positioner that holds {MANY_POSITIONS} positions ignores it",
                    PRACTICE,
                    str(number),
                    f"at most {MANY_POSITIONS}",
                )

    def _see_address(self, address: int, t_s: float | None) -> Iterator[Finding]:
        self._addresses.add(address)
        if self._addresses >= _BOTH:
            self._addresses.clear()
            yield Finding(
                t_s,
                "two_addresses",
                "note",
                "commands to any positioner (30) and to the polar positioner (31)",
                "a positioner that knows one of them obeys half the commands",
                PRACTICE,
            )


def _unsettled(frame: Frame, command: int, t_s: float | None) -> Finding:
    overwrites = command == std.SET_POSITIONS
    return Finding(
        t_s,
        "unsettled_command",
        "error" if overwrites else "note",
        f"{frame.hex}: the use of command {command:02X} is not settled",
        "it can overwrite every stored position"
        if overwrites
        else "positioners differ in what they make of it",
        PRACTICE,
    )
