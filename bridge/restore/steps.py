"""The whole restoration as one generator: set limits, store positions, return to some as proof."""

from __future__ import annotations

from collections.abc import Generator, Sequence

from bridge.bus import standard as std
from bridge.bus.addresses import POLAR_POSITIONER
from bridge.bus.command import Limits, SetLimit, Side, Store, frame_of
from bridge.bus.frame import Frame
from bridge.bus.meaning import plural
from bridge.errors import Refused
from bridge.guard import permit
from bridge.restore.journal import Entry, Journal, Proof
from bridge.restore.motion import Act, Doing, Keep, Mover, Seen, Send, Step
from bridge.restore.plan import PROOF_AWAY, TAKE_UP, Plan, Route, Target, proofs_of, route_of

PROOF_SLACK = 1  # counts a return may be off: some positioners hunt by one (common practice)


class Work:
    """One session on a plan; what is done goes into the journal before the next thing begins."""

    def __init__(
        self, plan: Plan, journal: Journal, *, two_way: bool, every_proof: bool = False
    ) -> None:
        self.plan = plan
        self.journal = journal
        self.route: Route | None = None
        self._every = every_proof
        self._mover = Mover(plan, two_way=two_way)
        self._set_state = "acknowledged" if two_way else "sent"
        self._limits_off = False
        self._true_count: int | None = None  # while the counter holds another

    def todo(self) -> list[Target]:
        """What is not set yet."""
        return [target for target in self.plan.targets if target.key not in self.journal.entries]

    def way_out(self) -> list[Frame]:
        """Frames that leave the positioner in order when the work ends before its end."""
        frames = []
        if self._true_count is not None:
            frames.append(_counter_frame(self._true_count))
        if self._limits_off:
            frames.append(frame_of(Limits(on=True)))
        return frames

    def steps(self, seen: Seen) -> Step:
        """Everything, from rest to the last proof."""
        seen = yield from self._mover.rest(seen)
        seen = yield Keep()
        todo = self.todo()
        if todo and self.plan.by_counter:
            seen = yield from self._by_counter(seen, todo)
        elif todo:
            seen = yield from self._by_driving(seen, todo)
        if self._limits_off or self.plan.limits:
            seen = yield from self._mover.set(seen, Limits(on=True))
            self._limits_off = False
        seen = yield from self._prove(seen)
        loose = any(entry.loose for entry in self.journal.entries.values())
        self.journal.finished = not loose and all(p.ok for p in self.journal.proofs.values())
        return (yield Keep())

    # ---- by driving --------------------------------------------------------------------------

    def _by_driving(self, seen: Seen, todo: Sequence[Target]) -> Step:
        self.route = route_of(self.plan, todo, seen.count)
        for target in self.route.targets:
            seen = yield from self._free(seen)
            if isinstance(target.what, int):
                seen = yield from self._store(seen, target, target.what)
            else:
                seen = yield from self._set_limit(seen, target, target.what)
        # A limit is refused while an old one lies beyond it; the first may hold once both are new.
        limits = [target for target in self.route.targets if target in self.plan.limits]
        for target in limits[:1] if len(limits) > 1 else []:
            if self.journal.entries[target.key].loose and not isinstance(target.what, int):
                seen = yield from self._free(seen)
                seen = yield from self._set_limit(seen, target, target.what)
        return seen

    def _free(self, seen: Seen) -> Step:
        """Switch the positioner's limits off until those of the list hold; the file's hold here."""
        entries = self.journal.entries
        held = [t.key in entries and not entries[t.key].loose for t in self.plan.limits]
        if self._limits_off or all(held):  # none to restore: its own stay as they are
            return seen
        self._limits_off = True
        return (yield from self._mover.set(seen, Limits(on=False)))

    def _set_limit(self, seen: Seen, target: Target, side: Side) -> Step:
        yield Doing(f"to the {target.label} at {target.count}")
        seen = yield from self._mover.reach(seen, target.count, None)
        seen = yield from self._mover.set(seen, SetLimit(side))
        self._limits_off = False
        seen = yield from self._mover.drive(seen, side, 1, inside=False)
        self._mover.still = 0
        holds = seen.count == target.count
        note = "" if holds else f"one count {side} was still driven there, to {seen.count}"
        state = "holds" if holds else self._set_state
        return (yield from self._mark(target, state, note, loose=not holds))

    def _store(self, seen: Seen, target: Target, number: int) -> Step:
        arrive = self.route.arrive if self.route else "west"
        yield Doing(f"to {target.label} at {target.count}")
        seen = yield from self._mover.reach(seen, target.count, arrive)
        seen = yield from self._mover.set(seen, Store(number))
        self._limits_off = False  # a store switches them on
        run_up = self._mover.run_up(target.count, arrive)
        note = ""
        if run_up < TAKE_UP:
            note = f"the limit leaves only {plural(run_up, 'count')} of run-up"
        return (yield from self._mark(target, self._set_state, note))

    def _mark(self, target: Target, state: str, note: str = "", *, loose: bool = False) -> Step:
        session = self.journal.session
        self.journal.entries[target.key] = Entry(target.count, session, state, note, loose)
        yield Keep()
        verb = "set" if isinstance(target.what, str) else "stored"
        told = f" ({state}{': ' + note if note else ''})"
        return (yield Doing(f"{verb} {target.label} at {target.count}{told}", done=True))

    # ---- by counter writes -------------------------------------------------------------------

    def _by_counter(self, seen: Seen, todo: Sequence[Target]) -> Step:
        """Without motion: the counter is made to read each count, and that is stored."""
        here = seen.count
        yield Doing("trying whether the counter can be written")
        seen = yield from self._write_counter(seen, here)
        seen, told = yield from self._read_counter(seen)
        if told != here:
            raise Refused(
                f"the counter was to read {here} and reads {'nothing' if told is None else told}: "
                "this positioner takes no counter writes; restore by driving instead"
            )
        self._true_count = here
        ends = {target.what: target for target in self.plan.limits if target in todo}
        # West, east, west: whichever old limit stood in the way of the first is gone by then.
        sides: tuple[Side, ...] = ("west", "east", "west")
        for side in sides:
            if side in ends:
                seen = yield from self._write_counter(seen, ends[side].count)
                seen = yield from self._mover.set(seen, SetLimit(side), count=ends[side].count)
        for target in todo:
            if isinstance(target.what, int):
                yield Doing(f"writing {target.label}")
                seen = yield from self._write_counter(seen, target.count)
                seen = yield from self._mover.set(seen, Store(target.what))
            seen = yield from self._mark(target, self._set_state)
        seen = yield from self._write_counter(seen, here)
        seen, told = yield from self._read_counter(seen)
        if told != here:
            raise Refused(
                f"the counter was to read {here} again and reads {told}; write it, or read an end, "
                "before anything is driven by position"
            )
        self._true_count = None
        return seen

    def _write_counter(self, seen: Seen, count: int) -> Step:
        frame = _counter_frame(count)
        permit(frame, self._mover.situation(seen), asked_twice=True)
        return (yield Send(frame))

    def _read_counter(self, seen: Seen) -> Generator[Act, Seen, tuple[Seen, int | None]]:
        seen = yield Send(Frame(std.ASK_FIRST, POLAR_POSITIONER, std.READ_COUNTER, b""))
        reply = seen.reply
        if reply is None or len(reply) != 3 or reply[0] != std.REPLY_OK:
            return seen, None
        return seen, int.from_bytes(reply[1:], "big", signed=True)

    # ---- proof -------------------------------------------------------------------------------

    def _prove(self, seen: Seen) -> Step:
        """Return to some positions by their number and see the count there."""
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
            yield Doing(f"back to {target.label} by its number")
            seen = yield from self._mover.near(seen, self._start_of_proof(seen, target.count))
            beside_db = seen.signal_db
            seen, trouble = yield from self._mover.goto(seen, number, target.count)
            ok = not trouble and abs(seen.count - target.count) <= PROOF_SLACK
            note = trouble
            if not ok and not note:
                note = f"goto {number} came to rest at {seen.count}, not at {target.count}"
            elif ok and not _peaks(seen.signal_db, beside_db):
                note = "the meter shows no more there than beside it; peak it again"
            proof = Proof(seen.count, ok, note, seen.signal_db, beside_db)
            self.journal.proofs[target.key] = proof
            yield Keep()
            told = note
            if ok:
                told = f"proved {target.label}: returned to {seen.count}{_on_meter(proof)}"
            seen = yield Doing(told, done=True)
            if trouble:
                break  # what strays or stalls is not driven on
        return seen

    def _start_of_proof(self, seen: Seen, count: int) -> int:
        """Where a return begins: PROOF_AWAY to the side the dish is on, or to the other."""
        away = PROOF_AWAY if seen.count >= count else -PROOF_AWAY
        low = self.plan.east if self.plan.east is not None else count - PROOF_AWAY
        high = self.plan.west if self.plan.west is not None else count + PROOF_AWAY
        starts = [min(max(start, low), high) for start in (count + away, count - away)]
        return max(starts, key=lambda start: abs(start - count))


def _peaks(signal_db: float | None, beside_db: float | None) -> bool:
    """False where a meter shows no more at a place than beside it."""
    return signal_db is None or beside_db is None or signal_db > beside_db


def _on_meter(proof: Proof) -> str:
    if proof.signal_db is None or proof.beside_db is None:
        return ""
    return f", {proof.signal_db:.1f} dB on the meter ({proof.beside_db:.1f} dB beside it)"


def _counter_frame(count: int) -> Frame:
    data = count.to_bytes(2, "big", signed=True)
    return Frame(std.COMMAND_FIRST, POLAR_POSITIONER, std.WRITE_COUNTER, data)
