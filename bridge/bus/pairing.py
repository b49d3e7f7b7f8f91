"""Replies paired with the commands they answer, repeats with their first transmissions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from bridge.bus import standard as std
from bridge.bus.event import Event, Fault, FrameHeard

ANSWER_S = 1.0  # s after a command within which a reply, however late, is its answer (judgement)
REPEAT_WITHIN_S = 1.0  # s within which a repeat belongs to its first, about 0.1 s (judgement)
REPLY_ERROR_S = 1e-3  # s by which the time of a reply may be read wrong (judgement)


@dataclass(slots=True)
class Pairing:
    """Events in, the same events out: a command that wants a reply is held until it has one.

    A reply gets `asked` and `of_t_s`, the frame and the time of its command; a repeat gets
    `of_t_s`, the time of its first transmission. A reply that is late, missing or not wanted is
    a fault of its frame.
    """

    _question: FrameHeard | None = None  # the command that waits for its reply
    _since: list[Event] = field(default_factory=list)  # what came after it
    _command: FrameHeard | None = None  # the latest command, wanting a reply or not

    def see(self, event: Event) -> Iterator[Event]:
        """The events that an event makes certain."""
        frame = event.frame if isinstance(event, FrameHeard) else None
        if isinstance(event, FrameHeard) and frame is not None:
            if frame.is_reply:
                yield from self._see_reply(event)
            else:
                yield from self._see_command(event)
            return
        if event.t_s is not None:
            yield from self.advance(event.t_s)
        if self._question is None:
            yield event
        else:
            self._since.append(event)

    def advance(self, certain_s: float) -> Iterator[Event]:
        """Take note that nothing before that time is still to come."""
        late_s = None if self._question is None else _since_s(self._question, certain_s)
        if late_s is not None and late_s > ANSWER_S:
            yield from self.end()

    def end(self) -> Iterator[Event]:
        """Give up waiting for a reply."""
        if self._question is not None:
            missing = Fault("reply_missing", "a reply was wanted and none was heard")
            yield _with_fault(self._question, missing)
            yield from self._since
        self._question, self._since = None, []

    def _see_command(self, event: FrameHeard) -> Iterator[Event]:
        yield from self.end()
        self._command = command = self._repeat_of(event)
        if command.head.reply_wanted:
            self._question = command
        else:
            yield command

    def _repeat_of(self, event: FrameHeard) -> FrameHeard:
        """The command with the time of its first transmission, if it repeats the one before."""
        first = self._command
        if first is None or first.frame is None or event.frame is None:
            return event
        if not event.frame.is_repeat or event.frame.body != first.frame.body:
            return event
        late_s = _since_s(first, event.t_s)
        if late_s is None or late_s > REPEAT_WITHIN_S:
            return event
        return replace(event, of_t_s=first.t_s if first.of_t_s is None else first.of_t_s)

    def _see_reply(self, reply: FrameHeard) -> Iterator[Event]:
        if reply.t_s is not None:
            yield from self.advance(reply.t_s)
        command = self._question
        if command is None:
            since_s = None if self._command is None else _since_s(self._command, reply.t_s)
            if since_s is not None and since_s < std.REPLY_S:
                unwanted = Fault("reply_code", "a reply to a command that asks for none")
                reply = _with_fault(reply, unwanted)
            yield reply
            return
        yield command
        yield from self._since
        self._question, self._since = None, []
        reply = replace(reply, asked=command.frame, of_t_s=command.t_s)
        late_s = _since_s(command, reply.t_s)
        if late_s is not None and late_s > std.REPLY_S + REPLY_ERROR_S:
            allowed = f"{std.REPLY_S * 1e3:g} ms allowed"
            late = Fault("reply_late", f"{late_s * 1e3:.0f} ms after its command, {allowed}")
            reply = _with_fault(reply, late)
        yield reply


def _since_s(frame: FrameHeard, t_s: float | None) -> float | None:
    """Seconds from the end of a frame to a time; without a duration it takes the usual one."""
    if frame.t_s is None or t_s is None:
        return None
    usual_s = len(frame.byte_values) * std.BYTE_S
    return t_s - frame.t_s - (usual_s if frame.duration_s is None else frame.duration_s)


def _with_fault(frame: FrameHeard, fault: Fault) -> FrameHeard:
    return replace(frame, faults=(*frame.faults, fault))


def pair(events: Iterable[Event]) -> Iterator[Event]:
    """All events of a capture, paired."""
    pairing = Pairing()
    for event in events:
        yield from pairing.see(event)
    yield from pairing.end()
