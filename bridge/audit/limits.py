"""Soft limits that are switched off and never on again."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.audit.finding import PRACTICE, Finding
from bridge.bus.addresses import POSITIONERS
from bridge.bus.command import Limits, SetLimit, Store, command_of
from bridge.bus.frame import Frame


class LimitsLeftOff:
    """Follows one capture; `end` tells whether the limits are off at its end."""

    def __init__(self) -> None:
        self._off = False
        self._off_t_s: float | None = None

    def see(self, frame: Frame, t_s: float | None) -> None:
        """Note what a command does to the limits; storing and setting one switch them on."""
        if frame.address not in POSITIONERS:
            return
        match command_of(frame):
            case Limits(on=False):
                self._off, self._off_t_s = True, t_s
            case Limits() | Store() | SetLimit():
                self._off = False

    def end(self) -> Iterator[Finding]:
        """The finding, if the limits stay off."""
        if self._off:
            yield Finding(
                self._off_t_s,
                "limits_left_off",
                "warning",
                "the soft limits were switched off and not on again",
                "nothing but the end switches stops the next drive",
                PRACTICE,
            )
