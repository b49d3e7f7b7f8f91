"""Captured traffic into the simulated positioner: where each frame took the dish, and why not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from bridge.bus.event import Event, FrameHeard, Supply, Tone
from bridge.bus.standard import SUPPLY_THRESHOLD_V
from sim.rig.dish import Dish
from sim.rig.positioner_memory import EndedBy, Entry, Outcome

REST_STEP_S = 0.5  # s between looks at whether the dish is at rest (judgement)
COAST_S = 4.0  # s of rest after which no pulse comes and the positioner has decided (judgement)
LONGEST_S = 400.0  # s after which a motion counts as endless: over twice a long stroke (judgement)
BETWEEN_S = 0.5  # s put between messages that have no times (judgement)


@dataclass(frozen=True, slots=True)
class ReplayedFrame:
    """What one frame of the capture did; `hour_angle_deg` is where it left the dish."""

    t_s: float | None
    hex: str
    meaning: str
    outcome: Outcome
    reason: str
    count_before: int
    count_after: int
    hour_angle_deg: float
    ended_by: EndedBy | None
    reply_hex: str | None
    horizontal: bool | None

    def to_json(self) -> dict[str, object]:
        """As `arcstep replay --json` prints it: times in s to 1 us, angles in deg to 0.001."""
        return {
            "t_s": None if self.t_s is None else round(self.t_s, 6),
            "hex": self.hex,
            "meaning": self.meaning,
            "outcome": self.outcome,
            "reason": self.reason,
            "count_before": self.count_before,
            "count_after": self.count_after,
            "hour_angle_deg": round(self.hour_angle_deg, 3),
            "ended_by": self.ended_by,
            "reply_hex": self.reply_hex,
            "horizontal": self.horizontal,
        }


@dataclass(slots=True)
class _Pending:
    event: FrameHeard
    entry: Entry
    horizontal: bool | None
    hour_angle_deg: float


class Replay:
    """Feeds one capture to one dish."""

    def __init__(self, dish: Dish) -> None:
        self.dish = dish
        self._pending: list[_Pending] = []
        self._offset_s: float | None = None  # simulated time less capture time
        self._supply_known = False

    def run(self, events: Iterable[Event]) -> Iterator[ReplayedFrame]:
        """Steps in the order of the capture, each when its motion is over."""
        for event in events:
            if isinstance(event, Supply):
                self._reach(event.t_s)
                self._set_supply(event.volts)
            elif isinstance(event, Tone):
                self._reach(event.t_s)
                self.dish.set_tone(event.on)
            elif isinstance(event, FrameHeard):
                if event.frame is not None and event.frame.is_reply:
                    continue  # another device spoke; a positioner does not obey replies
                yield from self._hear(event)
        self._rest()
        yield from self._settled(everything=True)

    def _set_supply(self, volts: float) -> None:
        self._supply_known = True
        self.dish.set_supply(0 if volts < 5 else 18 if volts > SUPPLY_THRESHOLD_V else 13)

    def _reach(self, t_s: float | None) -> None:
        """Let simulated time run to a moment of the capture."""
        if t_s is None:
            self._rest()
            self.dish.advance(self.dish.time_s + BETWEEN_S)
            return
        if self._offset_s is None:
            self._offset_s = self.dish.time_s - t_s
        self.dish.advance(max(self.dish.time_s, t_s + self._offset_s))

    def _hear(self, event: FrameHeard) -> Iterator[ReplayedFrame]:
        end_s = None if event.t_s is None else event.t_s + (event.duration_s or 0.0)
        self._reach(end_s)
        yield from self._settled()
        if event.supply_v is not None:
            self._set_supply(event.supply_v)
        frame = event.frame
        if frame is None or not all(event.parity_ok):
            reason = "parity error" if frame is not None else "a byte was lost"
            count = self.dish.positioner.memory.count
            entry = Entry(self.dish.time_s, event.hex, "ignored", reason, count, count)
        else:
            heard_before = self.dish.journal[-1] if self.dish.journal else None
            self.dish.hear(frame.build())
            newest = self.dish.journal[-1] if self.dish.journal else None
            if newest is None or newest is heard_before:
                count = self.dish.positioner.memory.count
                reason = "not received: the supply sags while the motor runs"
                newest = Entry(self.dish.time_s, event.hex, "ignored", reason, count, count)
            entry = newest
        horizontal = self.dish.horizontal if self._supply_known else None
        self._pending.append(_Pending(event, entry, horizontal, self.dish.hour_angle_deg))

    def _settled(self, *, everything: bool = False) -> Iterator[ReplayedFrame]:
        """Steps from the front whose motion is over."""
        while self._pending:
            entry = self._pending[0].entry
            if entry.outcome == "moved" and entry.ended_by is None and not everything:
                return
            yield self._step(self._pending.pop(0))

    def _step(self, done: _Pending) -> ReplayedFrame:
        entry = done.entry
        return ReplayedFrame(
            done.event.t_s,
            done.event.hex,
            done.event.meaning.sentence,
            entry.outcome,
            entry.reason,
            entry.count_before,
            entry.count_after,
            self.dish.hour_angle_deg if entry.outcome == "moved" else done.hour_angle_deg,
            entry.ended_by,
            entry.reply_hex,
            done.horizontal,
        )

    def _rest(self) -> None:
        """Let the dish come to rest; an endless motion is given up on."""
        end_s = self.dish.time_s + LONGEST_S
        quiet_s = 0.0
        while quiet_s < COAST_S and self.dish.time_s < end_s:
            self.dish.advance(self.dish.time_s + REST_STEP_S)
            quiet_s = 0.0 if self.dish.readings().moving else quiet_s + REST_STEP_S
