"""Replies paired with the commands they answer, repeats with their first transmissions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from bridge.bus import standard as std
from bridge.bus.event import Event, Fault, FrameHeard

ANSWER_S = 1.0  # s after a command within which a reply, however late, still belongs to it
REPEAT_WITHIN_S = 1.0  # s within which a repeat is looked for; the standard says about 0.1
REPLY_GRAIN_S = 1e-3  # s by which a reply may be late before it is told


@dataclass(slots=True)
class Pairing:
    """Events in, the same events out: a command that wants a reply waits until it is known.

    A reply gets `asked` and `of_t_s`, the frame and the time of its command; a repeat gets
    `of_t_s`, the time of its first transmission. Faults tell of replies late, missing or unasked.
    """

    _waiting: FrameHeard | None = None
    _held: list[Event] = field(default_factory=list)
    _last: FrameHeard | None = None  # the latest command

    def see(self, event: Event) -> Iterator[Event]:
        late_s = None if self._waiting is None else _since(self._waiting, event.t_s)
        if not isinstance(event, FrameHeard):
            if late_s is not None and late_s > ANSWER_S:
                yield from self.end()
            yield from self._put(event)
            return
        frame = event.frame
        if frame is None:
            yield from self._put(event)
        elif frame.is_reply:
            yield from self._answer(event, late_s)
        else:
            yield from self.end()
            event = self._place(event)
            self._last = event
            if frame.reply_wanted:
                self._waiting = event
            else:
                yield event

    def advance(self, certain_s: float) -> Iterator[Event]:
        """Take note that nothing before that time is still to come."""
        late_s = None if self._waiting is None else _since(self._waiting, certain_s)
        if late_s is not None and late_s > ANSWER_S:
            yield from self.end()

    def end(self) -> Iterator[Event]:
        """Give up waiting for a reply."""
        if self._waiting is not None:
            fault = Fault("reply_missing", "a reply was wanted and none was heard")
            yield replace(self._waiting, faults=(*self._waiting.faults, fault))
        yield from self._held
        self._waiting, self._held = None, []

    def _put(self, event: Event) -> Iterator[Event]:
        if self._waiting is None:
            yield event
        else:
            self._held.append(event)

    def _answer(self, reply: FrameHeard, late_s: float | None) -> Iterator[Event]:
        command = self._waiting
        if command is None or (late_s is not None and late_s > ANSWER_S):
            yield from self.end()
            since_s = None if self._last is None else _since(self._last, reply.t_s)
            if since_s is not None and since_s < std.REPLY_S:
                fault = Fault("reply_code", "a reply to a command that asks for none")
                reply = replace(reply, faults=(*reply.faults, fault))
            yield reply
            return
        yield command
        yield from self._held
        self._waiting, self._held = None, []
        reply = replace(reply, asked=command.frame, of_t_s=command.t_s)
        if late_s is not None and late_s > std.REPLY_S + REPLY_GRAIN_S:
            what = f"{late_s * 1e3:.0f} ms after its command, 150 ms allowed"
            reply = replace(reply, faults=(*reply.faults, Fault("reply_late", what)))
        yield reply

    def _place(self, event: FrameHeard) -> FrameHeard:
        first = self._last
        if first is None or first.frame is None or event.frame is None:
            return event
        if not event.frame.is_repeat or event.frame.body != first.frame.body:
            return event
        since_s = _since(first, event.t_s)
        if since_s is None or since_s > REPEAT_WITHIN_S:
            return event
        return replace(event, of_t_s=first.t_s if first.of_t_s is None else first.of_t_s)


def _since(frame: FrameHeard, time_s: float | None) -> float | None:
    """Seconds from the end of a frame to a time; a frame without duration has the usual one."""
    if frame.t_s is None or time_s is None:
        return None
    usual_s = len(frame.byte_values) * std.BYTE_S
    return time_s - frame.t_s - (usual_s if frame.duration_s is None else frame.duration_s)


def pair(events: Iterable[Event]) -> Iterator[Event]:
    pairing = Pairing()
    for event in events:
        yield from pairing.see(event)
    yield from pairing.end()
