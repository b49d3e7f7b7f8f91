"""`arcstep positions restore`: a list put back into a positioner, resumed after anything."""

from __future__ import annotations

import hashlib
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from bridge.errors import BadInput, LinkError, Refused
from bridge.link.client import Adapter
from bridge.restore.journal import Journal, JournalFile
from bridge.restore.motion import Mover, Seen
from bridge.restore.plan import Plan, plan_of
from bridge.restore.reference import HOW_TO_PROVE, doubts, reference_lost
from bridge.restore.runner import LOOK_S, Hand
from bridge.restore.steps import Work
from bridge.station.model import Station, load_station
from sim.yard_url import YardUrl
from tui.commands import restore_view as view
from tui.commands.confirm import agree, ask
from tui.open_port import is_simulated, open_adapter

RESUME = "what was put back is in the journal, and the same command goes on from there"
FEED_S = 0.2  # s between looks that feed the lease
NEEDED = ("pulses", "tally")


def run(
    station: Path,
    port: str,
    *,
    go: bool = False,
    dry_run: bool = False,
    clear: bool = False,
    journal: Path | None = None,
    limits: bool | None = None,
    only: Sequence[int] = (),
    here: int | None = None,
    here_count: int | None = None,
    as_read: bool = False,
    counter: bool = False,
    prove_all: bool = False,
    json: bool = False,
) -> int:
    """Show the plan, and with `go` carry it out: 0 proved, 1 not, 130 interrupted."""
    list_ = load_station(station)
    with_limits = not only if limits is None else limits
    plan = plan_of(list_, only=only, limits=with_limits, by_counter=counter)
    said = _said(list_, here, here_count, as_read=as_read)
    file = JournalFile(journal or _usual_journal(station, port))
    kept, news = _taken_up(file.load(), plan)
    _diagnose(news)
    if not go or dry_run:
        _print_plan(plan, kept, said, json=json)
        if not json and not dry_run:
            print("\nNothing was sent; say --go to begin.")
        return 0
    fresh = kept.boot is None
    if fresh and said is None and not as_read and not sys.stdin.isatty():
        raise Refused(f"nothing tells which count the dish stands at: {HOW_TO_PROVE}, or --as-read")
    if not json:
        _print_plan(plan, kept, said, json=False)
    if not is_simulated(port) and not agree(clear):
        raise Refused("nothing was sent: say --clear once the dish is clear of people and hands")
    try:
        return _go(plan, kept, file, port, said, as_read=as_read, prove_all=prove_all, json=json)
    except (KeyboardInterrupt, SystemExit):
        _diagnose(f"interrupted, and the motor halted; {RESUME}")
        return 130


def _go(
    plan: Plan,
    kept: Journal,
    file: JournalFile,
    port: str,
    said: int | None,
    *,
    as_read: bool,
    prove_all: bool,
    json: bool,
) -> int:
    adapter = open_adapter(port)
    try:
        _require_counts(adapter, port)
        say = None if json else _say
        with view.progress(1, say) as tell:
            hand = Hand(adapter, tell=tell, keep=file.save, look_s=_look_s(port))
            mover = Mover(plan, two_way="two-way" in adapter.greeting.capabilities)
            seen = hand.carry_out(mover.rest(hand.look()), None)
            seen, flags = hand.carry_out(mover.flags(seen), None)
        _find_count(adapter, kept, seen, flags, said, as_read=as_read)
        work = Work(plan, kept, two_way=flags is not None, every_proof=prove_all)
        things = view.things_of(plan, kept, every_proof=prove_all)
        with view.progress(things, say) as tell:
            try:
                Hand(adapter, tell=tell, keep=file.save, look_s=_look_s(port)).work(work)
            except LinkError as error:
                raise type(error)(f"{error}; {RESUME}") from error
    finally:
        adapter.close()
    if json:
        print(*view.result_json(plan, kept), sep="\n")
    else:
        print("", view.result_text(plan, kept), sep="\n")
        if reference_lost(flags):
            print(view.wrap("- The positioner says that its position reference is lost."))
        if not kept.finished:
            print(view.wrap("Not proved; look at the dish, then run it again to redo that part."))
    return 0 if kept.finished else 1


def _said(
    station: Station, here: int | None, here_count: int | None, *, as_read: bool
) -> int | None:
    """The count at which the dish is said to stand; None where it is to be read."""
    if sum((here is not None, here_count is not None, as_read)) > 1:
        raise BadInput("--here, --here-count and --as-read say the same thing; give one of them")
    if here is None:
        return here_count
    rows = {row.number: row for row in station.position}
    if here not in rows:
        raise BadInput(f"--here {here}: the list has no such position; give one of its numbers")
    count = rows[here].count
    if count is None:
        raise BadInput(f"--here {here}: {rows[here].name} has no count; stand on one that has")
    return count


def _taken_up(kept: Journal | None, plan: Plan) -> tuple[Journal, str]:
    """The journal to go on with, and what is to be said about it."""
    if kept is None:
        return Journal(plan.fingerprint), ""
    if kept.finished:
        return Journal(plan.fingerprint), "the last restoration was finished; this begins anew"
    if kept.fingerprint != plan.fingerprint:
        return Journal(plan.fingerprint), (
            "the list, or what is to be put back of it, has changed since the last session; this "
            "begins anew"
        )
    if not kept.entries:
        return kept, ""
    kept.begin_again()
    return kept, f"going on after {len(kept.entries)} of {len(plan.targets)} that are set already"


def _find_count(
    adapter: Adapter,
    kept: Journal,
    seen: Seen,
    flags: int | None,
    said: int | None,
    *,
    as_read: bool,
) -> None:
    """Make sure that the port counts as the list does. Raises Refused where nobody knows."""
    resumed = kept.boot is not None
    boot = adapter.greeting.boot
    reasons = []
    if resumed:
        reasons = doubts(kept, boot=boot, pulses=seen.pulses, tally=seen.count, flags=flags)
    elif reference_lost(flags):
        reasons = ["the positioner says that its position reference is lost"]
    if said is None:
        if reasons:
            raise Refused(f"the count may be lost: {'; '.join(reasons)}; {HOW_TO_PROVE}")
        if resumed:
            return
        if not as_read:
            with _awake(adapter):
                sure = _confirm(f"The port reads count {seen.count} here. Is that right?")
            if not sure:
                raise Refused(f"the count is not known: {HOW_TO_PROVE}")
        kept.reference = f"count {seen.count} as the port read it"
        return
    off = said != seen.count
    if resumed and (reasons or off):
        why = reasons or [f"the port read {seen.count} where the dish stands at {said}"]
        _diagnose(f"{'; '.join(why)}: what was set before is put back anew")
        kept.forget()
    if off:
        adapter.tally(said)
    kept.reference = f"said to stand at count {said}"
    kept.boot = boot


@contextmanager
def _awake(adapter: Adapter) -> Iterator[None]:
    """Feed the lease while a person thinks: nothing moves, and the next frame is to be taken."""
    answered = threading.Event()

    def feed() -> None:
        while not answered.wait(FEED_S):
            with suppress(LinkError):  # whoever asks next is told
                adapter.status()

    feeder = threading.Thread(target=feed, name="lease", daemon=True)
    feeder.start()
    try:
        yield
    finally:
        answered.set()
        feeder.join()


def _require_counts(adapter: Adapter, port: str) -> None:
    missing = [name for name in NEEDED if name not in adapter.greeting.capabilities]
    if missing:
        raise Refused(
            f"the adapter at {port} tells no counts ({', '.join(missing)} missing), so nothing "
            "would say where the dish stands: fit the tap at the sensor, or drive to each "
            "satellite by the meter in the console and store it there"
        )


def _usual_journal(station: Path, port: str) -> Path:
    import platformdirs  # noqa: PLC0415

    told = f"{station.resolve()}\n{port}"
    name = f"{station.stem}-{hashlib.sha256(told.encode()).hexdigest()[:12]}.json"
    return platformdirs.user_state_path("arcstep") / "restore" / name


def _look_s(port: str) -> float:
    """Looks keep pace with simulated time."""
    return LOOK_S / YardUrl.parse(port).speed if is_simulated(port) else LOOK_S


def _print_plan(plan: Plan, kept: Journal, here: int | None, *, json: bool) -> None:
    if json:
        print(*view.plan_json(plan, kept, here), sep="\n")
    else:
        print(view.plan_text(plan, kept, here), flush=True)


def _confirm(question: str) -> bool:
    return ask(f"{question} Type yes: ", lambda answer: answer in ("y", "yes"))


def _say(line: str) -> None:
    print(view.wrap(line), flush=True)


def _diagnose(says: str) -> None:
    if says:
        print(f"arcstep: {says}", file=sys.stderr, flush=True)
