"""`arcstep send`: one command to a positioner, its bytes shown first, its motion watched."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence

from bridge.bus.command import Goto, GotoAngle, command_of
from bridge.bus.frame import Frame
from bridge.bus.meaning import meaning_of
from bridge.bus.words import parse_words
from bridge.diagnosis import MotionWatch, explain
from bridge.errors import NotConfirmed, Refused
from bridge.guard import Situation, permit
from bridge.link.client import Adapter
from bridge.link.status import Status
from tui.commands.confirm import agree
from tui.open_port import is_simulated, open_adapter, pace_of

LOOK_S = 0.1  # s between looks while something moves; each feeds the lease (judgement)
START_S = 1.5  # s within which a motion that was ordered shows itself (judgement)
REPLY_S = 0.2  # s to wait for a reply: 150 ms (Bus Functional Specification), and some margin


class Follower:
    """Follows a motion through looks at an adapter, until it ends or outlasts its bound.

    Times are the adapter's own where it sends any, since that is where the motion is.
    """

    def __init__(
        self,
        adapter: Adapter,
        *,
        look_s: float = LOOK_S,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._adapter = adapter
        self._look_s = look_s
        self._clock = clock
        self._sleep = sleep

    def follow(self, bound_s: float) -> str:
        """Stay until the motion ends; how it went, in lines for a person."""
        first = self._adapter.status()
        if first.tally is None:
            return self._wait_blindly(bound_s)
        began_s = quiet_since_s = self._time_of(first)
        moved = False
        last = first.tally
        counter = _Counter(first.tally)
        watch = MotionWatch()
        remarks: list[str] = []
        while True:
            status = self._adapter.status()
            now_s = self._time_of(status)
            standstill = watch.see(status.t_s, status.moving, status.pulses, status.motor_a)
            if standstill and watch.side:
                remarks.append(explain(standstill, watch.side, status.tally))
            if status.moving or status.tally != last:
                moved, quiet_since_s = True, now_s
            last = status.tally if status.tally is not None else last
            counter.show(last)
            if now_s - began_s > bound_s:
                self._adapter.stop()
                counter.end()
                return f"halted: still moving after {bound_s:g} s, at count {last}"
            if now_s - quiet_since_s > START_S:
                break
            self._sleep(self._look_s)
        counter.end()
        if not moved:
            return f"no motion seen, count {last}"
        return "\n".join([f"count {first.tally} -> {last}", *remarks])

    def _wait_blindly(self, bound_s: float) -> str:
        """Without counts the end of a motion shows nowhere: feed the lease while it may run."""
        print(f"no counts here: waiting {bound_s:g} s, Ctrl-C halts", file=sys.stderr)
        end_s = self._clock() + bound_s
        while self._clock() < end_s:
            self._adapter.status()
            self._sleep(self._look_s)
        return "sent, and halted after its time; no counts here, so whether it arrived is unknown"

    def _time_of(self, status: Status) -> float:
        return status.t_s or self._clock()


class _Counter:
    """The count on one line of a terminal; nothing where standard error is none."""

    def __init__(self, count: int) -> None:
        self._shown = self._first = count
        self._on = sys.stderr.isatty()

    def show(self, count: int) -> None:
        if self._on and count != self._shown:
            print(f"\rcount {count}   ", end="", file=sys.stderr, flush=True)
            self._shown = count

    def end(self) -> None:
        if self._shown != self._first:
            print(file=sys.stderr)


def _send(adapter: Adapter, frame: Frame) -> None:
    """Send the frame, and print the reply to one that wants a reply."""
    sent = adapter.send(frame.build(), reply_s=REPLY_S if frame.reply_wanted else 0.0)
    if not frame.reply_wanted:
        return
    if sent.reply is None:
        print("no reply; a one-way positioner gives none")
    else:
        reply = Frame.parse(sent.reply)
        print(f"{reply.hex}  {meaning_of(reply, frame).sentence}")


def run(words: Sequence[str], port: str, *, dry_run: bool = False, clear: bool = False) -> int:
    """Send the command that `words` name and follow its motion; 0 when it was sent.

    Raises Refused and other errors with their own exit codes.
    """
    frame = parse_words(words)
    print(f"{frame.hex}  {meaning_of(frame).sentence}", flush=True)
    # Judged before the port is opened: what would be refused needs no device.
    try:
        granted = permit(frame, Situation(acknowledged=True))
    except NotConfirmed as refusal:
        raise NotConfirmed(f"{refusal}; send it from the console, which asks for one") from None
    if dry_run:
        return 0
    moves = granted.bound_s is not None or isinstance(command_of(frame), Goto | GotoAngle)
    if moves and not is_simulated(port) and not agree(clear):
        raise Refused("nothing was sent: say --clear once the dish is clear of people and hands")
    with open_adapter(port) as adapter:
        _send(adapter, frame)
        if granted.bound_s is not None:
            follower = Follower(adapter, look_s=LOOK_S / pace_of(port))
            print(follower.follow(granted.bound_s))
    return 0
