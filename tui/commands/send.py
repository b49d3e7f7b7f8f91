"""`arcstep send`: one command to a positioner, its bytes shown first, its motion watched."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence

from bridge.bus.command import Goto, GotoAngle, command_of
from bridge.bus.frame import Frame
from bridge.bus.meaning import meaning_of
from bridge.bus.words import parse_words
from bridge.diagnosis import MotionWatch, explain
from bridge.errors import Refused
from bridge.guard import Permit, Situation, permit
from bridge.link.client import Adapter
from tui.commands.confirm import agree
from tui.open_port import is_simulated, open_adapter

LOOK_S = 0.1  # s between looks while something moves
START_S = 1.5  # s in which a motion that was ordered shows itself


def _watch(adapter: Adapter, granted: Permit) -> str:
    """Stay until the motion ends or outlasts its bound; say how it went."""
    began_s = time.monotonic()
    first = adapter.status()
    if first.tally is None:
        return _hold(adapter, granted)
    moved = False
    shown = last = first.tally
    quiet_since_s = began_s
    watch = MotionWatch()
    said: list[str] = []
    while True:
        status = adapter.status()
        verdict = watch.see(status.t_s, status.moving, status.pulses, status.motor_a)
        if verdict and watch.side:
            said.append(explain(verdict, watch.side, status.tally))
        now_s = time.monotonic()
        if status.moving or status.tally != last:
            moved, quiet_since_s = True, now_s
        last = status.tally if status.tally is not None else last
        if sys.stderr.isatty() and last != shown:
            print(f"\rcount {last}   ", end="", file=sys.stderr, flush=True)
            shown = last
        if granted.bound_s is not None and now_s - began_s > granted.bound_s:
            adapter.stop()
            return f"halted: still moving after {granted.bound_s:g} s, at count {last}"
        if now_s - quiet_since_s > START_S:
            break
        time.sleep(LOOK_S)
    if sys.stderr.isatty() and shown != first.tally:
        print(file=sys.stderr)
    if not moved:
        return f"no motion seen, count {last}"
    return "\n".join([f"count {first.tally} -> {last}", *said])


def _hold(adapter: Adapter, granted: Permit) -> str:
    """Without counts nothing tells when a motion ends: keep the lease for as long as it may run."""
    end_s = time.monotonic() + (granted.bound_s or 0.0)
    print(f"no counts here: waiting {granted.bound_s:g} s, Ctrl-C halts", file=sys.stderr)
    while time.monotonic() < end_s:
        adapter.status()
        time.sleep(LOOK_S)
    return "sent, and halted after its time; no counts here, so nothing tells whether it arrived"


def _send(adapter: Adapter, frame: Frame, acknowledged: bool) -> None:
    granted = permit(frame, Situation(acknowledged=acknowledged))
    sent = adapter.send(frame.build(), reply_s=0.2 if frame.reply_wanted else 0.0)
    if frame.reply_wanted:
        if sent.reply is None:
            print("no reply; a one-way positioner gives none")
        else:
            reply = Frame.parse(sent.reply)
            print(f"{reply.hex}  {meaning_of(reply, frame).sentence}")
    if granted.bound_s is not None:
        print(_watch(adapter, granted))


def run(words: Sequence[str], port: str, *, dry_run: bool = False, clear: bool = False) -> int:
    """Send what `words` say; 0 sent, 1 refused, other codes by the errors raised."""
    frame = parse_words(words)
    print(f"{frame.hex}  {meaning_of(frame).sentence}", flush=True)
    # Judge before the port is opened: what would be refused needs no device.
    granted = permit(frame, Situation(acknowledged=True))
    if dry_run:
        return 0
    moves = granted.bound_s is not None or isinstance(command_of(frame), Goto | GotoAngle)
    if moves and not is_simulated(port) and not agree(clear):
        raise Refused("nothing was sent: say --clear once the dish is clear of people and hands")
    adapter = open_adapter(port)
    try:
        _send(adapter, frame, acknowledged=True)
    finally:
        adapter.close()
    return 0
