"""The lease of the simulated adapter: how long its host may be silent before the motor is stopped.

    NONE --grant--> RUNNING --silence--> LAPSED --grant--> RUNNING        any --end--> NONE

    NONE, LAPSED: no frame passes but the stop frame
    RUNNING: fed by every packet of the session; silence for its whole length ends it

No I/O and no clock: times are the adapter's own seconds.
"""

from __future__ import annotations

from enum import Enum

from bridge.bus import standard as std
from bridge.bus.addresses import POLAR_POSITIONER
from bridge.bus.frame import Frame

SHORTEST_LEASE_S, LONGEST_LEASE_S = 0.1, 10.0  # s (judgement)
LONGEST_FRAME = 8  # bytes of a frame that this adapter sends (judgement: the standard's 6, and two)
STOP_FRAMES = 2  # times the stop frame goes out after a stop: one may be lost (judgement)
TRIP_FRAMES = 3  # times it goes out when the host went silent (judgement)


class LeaseState(Enum):
    """Whether a host answers for the motor."""

    NONE = "none"
    RUNNING = "running"
    LAPSED = "lapsed"


class Lease:
    """A dead-man: `pace` is adapter seconds in a second of the host; `trips` counts lapses."""

    def __init__(self) -> None:
        self.state = LeaseState.NONE
        self.trips = 0
        self.pace = 1.0
        self.stop_frame = bytes((std.COMMAND_FIRST, POLAR_POSITIONER, std.HALT))
        self.length_s = 0.0  # host seconds of silence that are allowed, 0 unless it runs
        self._fed_s = 0.0

    @property
    def due_s(self) -> float | None:
        """When it lapses unless it is fed before; None unless it runs."""
        if self.state is not LeaseState.RUNNING:
            return None
        return self._fed_s + self.length_s * self.pace

    def grant(self, length_s: float, stop_frame: bytes) -> str | None:
        """Start or renew the lease, or the words of a refusal."""
        if not SHORTEST_LEASE_S <= length_s <= LONGEST_LEASE_S:
            return f"range a lease is {SHORTEST_LEASE_S:g} to {LONGEST_LEASE_S:g} s"
        if not 1 <= len(stop_frame) <= LONGEST_FRAME:
            return f"range a stop frame has 1 to {LONGEST_FRAME} bytes"
        self.length_s, self.stop_frame, self.state = length_s, stop_frame, LeaseState.RUNNING
        return None

    def end(self) -> None:
        """End it without a stop frame."""
        self.state, self.length_s = LeaseState.NONE, 0.0

    def feed(self, now_s: float) -> None:
        """Note that a packet of the session came."""
        self._fed_s = now_s

    def lapse(self, now_s: float) -> bool:
        """Whether it runs out at `now_s`; true once, then it needs a new grant."""
        due_s = self.due_s
        if due_s is None or now_s < due_s:
            return False
        self.state, self.length_s = LeaseState.LAPSED, 0.0
        self.trips += 1
        return True

    def refusal(self, frame: bytes) -> str | None:
        """Why a frame may not pass now; None for one that may, as the stop frame always may."""
        if frame == self.stop_frame or self.state is LeaseState.RUNNING:
            return None
        if self.state is LeaseState.LAPSED:
            return "lapsed the host was silent too long, so the motor was stopped; ask again"
        return "lease without a lease nothing would stop the motor; give one first"

    def stop_frames(self, times: int, now_s: float) -> list[tuple[float, bytes]]:
        """The stop frame `times` over: when each may begin, and its bytes.

        All but the first carry the framing of a repeat where there is one.

        >>> [(at_s, frame.hex()) for at_s, frame in Lease().stop_frames(2, 5.0)]
        [(5.0, 'e03160'), (5.1, 'e13160')]
        """
        repeat = Frame.parse(self.stop_frame).as_repeat.build()
        frames = [self.stop_frame, *[repeat] * (times - 1)]
        return [(now_s + nth * std.REPEAT_S, frame) for nth, frame in enumerate(frames)]
