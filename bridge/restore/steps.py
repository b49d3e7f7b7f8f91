"""A whole restoration as steps: set limits, store positions, return to some of them as proof."""

from __future__ import annotations

from collections.abc import Generator, Sequence

from bridge.bus import standard as std
from bridge.bus.addresses import POLAR_POSITIONER
from bridge.bus.command import Limits, SetLimit, Side, Store, frame_of
from bridge.bus.frame import Frame
from bridge.bus.meaning import plural
from bridge.errors import Refused
from bridge.guard import permit
from bridge.restore.drive_control import DriveControl
from bridge.restore.journal import EntryState, Journal, JournalEntry, Proof
from bridge.restore.plan import PROOF_AWAY, TAKE_UP, Plan, Route, Target, proofs_of, route_of
from bridge.restore.requests import Notice, Observation, Request, SaveJournal, SendFrame, Steps

PROOF_SLACK = 1  # counts a return may be off: some positioners hunt by one (common practice)


class Restoration:
    """One session on a plan; what is done is in the journal before the next thing begins."""

    def __init__(
        self, plan: Plan, journal: Journal, *, two_way: bool, every_proof: bool = False
    ) -> None:
        self.plan = plan
        self.journal = journal
        self.route: Route | None = None
        self._every = every_proof
        self._control = DriveControl(plan, two_way=two_way)
        self._set_state: EntryState = "acknowledged" if two_way else "sent"
        self._limits_off = False
        self._true_count: int | None = None  # while the counter is made to read another

    def todo(self) -> list[Target]:
        """What is not set yet."""
        return [target for target in self.plan.targets if target.key not in self.journal.entries]

    def closing_frames(self) -> list[Frame]:
        """Frames that put counter and limits in order when a session is broken off."""
        frames = []
        if self._true_count is not None:
            frames.append(_counter_frame(self._true_count))
        if self._limits_off:
            frames.append(frame_of(Limits(on=True)))
        return frames

    def steps(self, seen: Observation) -> Steps:
        """Everything, from rest to the last proof. Raises LinkError and Refused."""
        seen = yield from self._control.rest(seen)
        seen = yield SaveJournal()
        todo = self.todo()
        if todo and self.plan.by_counter:
            seen = yield from self._by_counter(seen, todo)
        elif todo:
            seen = yield from self._by_driving(seen, todo)
        if self._limits_off or self.plan.limits:
            seen = yield from self._control.set(seen, Limits(on=True))
            self._limits_off = False
        seen = yield from self._prove(seen)
        loose = any(entry.loose for entry in self.journal.entries.values())
        self.journal.finished = not loose and all(p.ok for p in self.journal.proofs.values())
        return (yield SaveJournal())

    # ---- by driving --------------------------------------------------------------------------

    def _by_driving(self, seen: Observation, todo: Sequence[Target]) -> Steps:
        self.route = route_of(self.plan, todo, seen.count)
        for target in self.route.targets:
            seen = yield from self._switch_limits_off(seen)
            if isinstance(target.what, int):
                seen = yield from self._store(seen, target, target.what)
            else:
                seen = yield from self._set_limit(seen, target, target.what)
        # A positioner may refuse a limit beyond an old one; the first may hold once both are new.
        limits = [target for target in self.route.targets if target in self.plan.limits]
        for target in limits[:1] if len(limits) > 1 else []:
            if self.journal.entries[target.key].loose and not isinstance(target.what, int):
                seen = yield from self._switch_limits_off(seen)
                seen = yield from self._set_limit(seen, target, target.what)
        return seen

    def _switch_limits_off(self, seen: Observation) -> Steps:
        """Switch the positioner's own limits off until those of the list hold.

        Meanwhile the guard holds every drive between the limits of the file.
        """
        entries = self.journal.entries
        held = [t.key in entries and not entries[t.key].loose for t in self.plan.limits]
        if self._limits_off or all(held):  # with none to restore its own stay as they are
            return seen
        self._limits_off = True
        return (yield from self._control.set(seen, Limits(on=False)))

    def _set_limit(self, seen: Observation, target: Target, side: Side) -> Steps:
        yield Notice(f"to the {target.label} at {target.count}")
        seen = yield from self._control.reach(seen, target.count, None)
        seen = yield from self._control.set(seen, SetLimit(side))
        self._limits_off = False
        seen = yield from self._control.drive(seen, side, 1, inside=False)
        self._control.still = 0
        holds = seen.count == target.count
        note = "" if holds else f"one count {side} was still driven there, to {seen.count}"
        state = "holds" if holds else self._set_state
        return (yield from self._mark(target, state, note, loose=not holds))

    def _store(self, seen: Observation, target: Target, number: int) -> Steps:
        arrive = self.route.arrive if self.route else "west"
        yield Notice(f"to {target.label} at {target.count}")
        seen = yield from self._control.reach(seen, target.count, arrive)
        seen = yield from self._control.set(seen, Store(number))
        self._limits_off = False  # a store switches them on
        run_up = self._control.run_up(target.count, arrive)
        note = ""
        if run_up < TAKE_UP:
            note = f"the limit leaves only {plural(run_up, 'count')} of run-up"
        return (yield from self._mark(target, self._set_state, note))

    def _mark(
        self, target: Target, state: EntryState, note: str = "", *, loose: bool = False
    ) -> Steps:
        session = self.journal.session
        self.journal.entries[target.key] = JournalEntry(target.count, session, state, note, loose)
        yield SaveJournal()
        verb = "set" if isinstance(target.what, str) else "stored"
        details = f" ({state}{': ' + note if note else ''})"
        return (yield Notice(f"{verb} {target.label} at {target.count}{details}", done=True))

    # ---- by counter writes -------------------------------------------------------------------

    def _by_counter(self, seen: Observation, todo: Sequence[Target]) -> Steps:
        """Without motion: make the counter read each count, and store that.

        Raises Refused where the positioner does not take counter writes.
        """
        here = seen.count
        yield Notice("trying whether the counter can be written")
        seen = yield from self._write_counter(seen, here)
        seen, counter = yield from self._read_counter(seen)
        if counter != here:
            raise Refused(
                f"the counter was to read {here} and reads "
                f"{'nothing' if counter is None else counter}: this positioner takes no "
                "counter writes; restore by driving instead"
            )
        self._true_count = here
        ends = {target.what: target for target in self.plan.limits if target in todo}
        # West, east, west: an old limit that was in the way of the first is gone by the third.
        sides: tuple[Side, ...] = ("west", "east", "west")
        for side in sides:
            if side in ends:
                seen = yield from self._write_counter(seen, ends[side].count)
                seen = yield from self._control.set(seen, SetLimit(side), count=ends[side].count)
        for target in todo:
            if isinstance(target.what, int):
                yield Notice(f"writing {target.label}")
                seen = yield from self._write_counter(seen, target.count)
                seen = yield from self._control.set(seen, Store(target.what))
            seen = yield from self._mark(target, self._set_state)
        seen = yield from self._write_counter(seen, here)
        seen, counter = yield from self._read_counter(seen)
        if counter != here:
            raise Refused(
                f"the counter was to read {here} again and reads {counter}; write it, or read an "
                "end, before anything is driven by position"
            )
        self._true_count = None
        return seen

    def _write_counter(self, seen: Observation, count: int) -> Steps:
        frame = _counter_frame(count)
        permit(frame, self._control.situation(seen), confirmed=True)
        return (yield SendFrame(frame))

    def _read_counter(
        self, seen: Observation
    ) -> Generator[Request, Observation, tuple[Observation, int | None]]:
        seen = yield SendFrame(Frame(std.ASK_FIRST, POLAR_POSITIONER, std.READ_COUNTER, b""))
        reply = Frame.parse(seen.reply) if seen.reply else None
        if reply is None or reply.framing != std.REPLY_OK or len(reply.data) != 2:
            return seen, None
        return seen, int.from_bytes(reply.data, "big", signed=True)

    # ---- proof -------------------------------------------------------------------------------

    def _prove(self, seen: Observation) -> Steps:
        """Go to some positions by their number and compare the count there."""
        entries = self.journal.entries
        sessions = {
            target.what: entries[target.key].session
            for target in self.plan.positions
            if target.key in entries and isinstance(target.what, int)
        }
        rows = proofs_of(self.plan, sessions, every=self._every)
        if rows and abs(seen.count - rows[-1].count) < abs(seen.count - rows[0].count):
            rows.reverse()
        for target in rows:
            known = self.journal.proofs.get(target.key)
            if known is not None and known.ok:
                continue
            number = target.what if isinstance(target.what, int) else 0
            yield Notice(f"back to {target.label} by its number")
            seen = yield from self._control.near(seen, self._start_of_proof(seen, target.count))
            beside_db = seen.signal_db
            seen, trouble = yield from self._control.goto(seen, number, target.count)
            ok = not trouble and abs(seen.count - target.count) <= PROOF_SLACK
            note = trouble
            if not ok and not note:
                note = f"goto {number} came to rest at {seen.count}, not at {target.count}"
            elif ok and not _peaks(seen.signal_db, beside_db):
                note = "the meter shows no more there than beside it; peak it again"
            proof = Proof(seen.count, ok, note, seen.signal_db, beside_db)
            self.journal.proofs[target.key] = proof
            yield SaveJournal()
            text = note
            if ok:
                text = f"proved {target.label}: returned to {seen.count}{_on_meter(proof)}"
            seen = yield Notice(text, done=True)
            if trouble:
                break  # what strays or stalls is not driven on
        return seen

    def _start_of_proof(self, seen: Observation, count: int) -> int:
        """Where a return begins: PROOF_AWAY on the side of the dish, or on the other for room."""
        away = PROOF_AWAY if seen.count >= count else -PROOF_AWAY
        starts = (count + away, count - away)
        low = min(starts) if self.plan.east is None else self.plan.east
        high = max(starts) if self.plan.west is None else self.plan.west
        inside = [min(max(start, low), high) for start in starts]
        return max(inside, key=lambda start: abs(start - count))


def _peaks(signal_db: float | None, beside_db: float | None) -> bool:
    """Whether a place is better than beside it on the meter; True without a meter."""
    return signal_db is None or beside_db is None or signal_db > beside_db


def _on_meter(proof: Proof) -> str:
    if proof.signal_db is None or proof.beside_db is None:
        return ""
    return f", {proof.signal_db:.1f} dB on the meter ({proof.beside_db:.1f} dB beside it)"


def _counter_frame(count: int) -> Frame:
    data = count.to_bytes(2, "big", signed=True)
    return Frame(std.COMMAND_FIRST, POLAR_POSITIONER, std.WRITE_COUNTER, data)
