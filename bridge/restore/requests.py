"""What the steps of a restoration ask of the adapter, and what they get to see.

Steps are generators: they yield a request and are sent an observation after it. So they hold no
I/O and no clock, and a test carries them out in no time.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

from bridge.bus.command import Side
from bridge.bus.frame import Frame


@dataclass(frozen=True, slots=True)
class Observation:
    """One look at the adapter, in its own time; `reply` answers the frame sent before it."""

    t_s: float
    count: int
    pulses: int
    moving: Side | None
    motor_a: float | None = None
    signal_db: float | None = None
    reply: bytes | None = None


@dataclass(frozen=True, slots=True)
class SendFrame:
    """A frame for the bus; `repeat`: once more as a repeat, where nothing confirms it."""

    frame: Frame
    repeat: bool = False


@dataclass(frozen=True, slots=True)
class Observe:
    """Wait a moment and look again."""


@dataclass(frozen=True, slots=True)
class StopMotor:
    """Stop the motor at once."""


@dataclass(frozen=True, slots=True)
class Notice:
    """What begins now, or (`done`) what is done, in words for a person."""

    text: str
    done: bool = False


@dataclass(frozen=True, slots=True)
class SaveJournal:
    """Save the journal before anything else."""


Request = SendFrame | Observe | StopMotor | Notice | SaveJournal
Steps = Generator[Request, Observation, Observation]
OBSERVE = Observe()
