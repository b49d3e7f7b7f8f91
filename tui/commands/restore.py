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
from bridge.restore.drive_control import DriveControl
from bridge.restore.journal import Journal, JournalFile
from bridge.restore.plan import Plan, plan_of
from bridge.restore.reference import HOW_TO_PROVE, doubts, reference_lost
from bridge.restore.requests import Observation
from bridge.restore.runner import LOOK_S, Runner
from bridge.restore.steps import Restoration
from bridge.station.model import Station, load_station
from tui.commands import restore_view as view
from tui.commands.confirm import agree, ask
from tui.open_port import is_simulated, open_adapter, pace_of

RESUME = "what was put back is in the journal, and the same command goes on from there"
FEED_S = 0.2  # s between looks that feed the lease (judgement)
NEEDED = ("pulses", "tally")  # capabilities of the adapter


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
    listed = load_station(station)
    with_limits = not only if limits is None else limits
    plan = plan_of(listed, only=only, limits=with_limits, by_counter=counter)
    given = _given_count(listed, here, here_count, as_read=as_read)
    file = JournalFile(journal or _usual_journal(station, port))
    progress, remark = _resume(file.load(), plan)
    _remark(remark)
    if not go or dry_run:
        _print_plan(plan, progress, given, json=json)
        if not json and not dry_run:
            print("\nNothing was sent; say --go to begin.")
        return 0
    fresh = progress.boot is None
    if fresh and given is None and not as_read and not sys.stdin.isatty():
        raise Refused(f"say which count the dish stands at: {HOW_TO_PROVE}, or --as-read")
    if not json:
        _print_plan(plan, progress, given, json=False)
    if not is_simulated(port) and not agree(clear):
        raise Refused("nothing was sent: say --clear once the dish is clear of people and hands")
    try:
        return _go(
            plan, progress, file, port, given, as_read=as_read, prove_all=prove_all, json=json
        )
    except (KeyboardInterrupt, SystemExit):
        _remark(f"interrupted, and the motor halted; {RESUME}")
        return 130


def _go(
    plan: Plan,
    journal: Journal,
    file: JournalFile,
    port: str,
    given: int | None,
    *,
    as_read: bool,
    prove_all: bool,
    json: bool,
) -> int:
    """Carry the plan out; the exit code."""
    adapter = open_adapter(port)
    try:
        _require_counts(adapter, port)
        echo = None if json else _print_wrapped
        with view.progress(1, echo) as report:
            runner = Runner(adapter, report=report, save=file.save, look_s=LOOK_S / pace_of(port))
            control = DriveControl(plan, two_way="two-way" in adapter.greeting.capabilities)
            seen = runner.carry_out(control.rest(runner.look()), None)
            seen, flags = runner.carry_out(control.flags(seen), None)
        _settle_count(adapter, journal, seen, flags, given, as_read=as_read)
        restoration = Restoration(plan, journal, two_way=flags is not None, every_proof=prove_all)
        total = view.notices_of(plan, journal, every_proof=prove_all)
        with view.progress(total, echo) as report:
            runner = Runner(adapter, report=report, save=file.save, look_s=LOOK_S / pace_of(port))
            try:
                runner.run(restoration)
            except LinkError as error:
                raise type(error)(f"{error}; {RESUME}") from error
    finally:
        adapter.close()
    if json:
        print(*view.result_json(plan, journal), sep="\n")
    else:
        print("", view.result_text(plan, journal), sep="\n")
        if reference_lost(flags):
            print(view.wrap("- The positioner says that its position reference is lost."))
        if not journal.finished:
            print(view.wrap("Not proved; look at the dish, then run it again to redo that part."))
    return 0 if journal.finished else 1


def _given_count(
    station: Station, here: int | None, here_count: int | None, *, as_read: bool
) -> int | None:
    """The count at which the dish stands by the options; None where it is to be read."""
    if sum((here is not None, here_count is not None, as_read)) > 1:
        raise BadInput("--here, --here-count and --as-read exclude each other; give one of them")
    if here is None:
        return here_count
    rows = {row.number: row for row in station.position}
    if here not in rows:
        raise BadInput(f"--here {here}: the list has no such position; give one of its numbers")
    count = rows[here].count
    if count is None:
        raise BadInput(f"--here {here}: {rows[here].name} has no count; stand on one that has")
    return count


def _resume(journal: Journal | None, plan: Plan) -> tuple[Journal, str]:
    """The journal to go on with, and a remark on it for the person."""
    if journal is None:
        return Journal(plan.fingerprint), ""
    if journal.finished:
        return Journal(plan.fingerprint), "the last restoration was finished; this begins anew"
    if journal.fingerprint != plan.fingerprint:
        return Journal(plan.fingerprint), (
            "the list, or what is to be put back of it, has changed since the last session; this "
            "begins anew"
        )
    if not journal.entries:
        return journal, ""
    journal.begin_session()
    done = f"{len(journal.entries)} of {len(plan.targets)}"
    return journal, f"going on after {done} that are set already"


def _settle_count(
    adapter: Adapter,
    journal: Journal,
    seen: Observation,
    flags: int | None,
    given: int | None,
    *,
    as_read: bool,
) -> None:
    """Make sure that the port counts as the list does. Raises Refused where nobody knows."""
    resumed = journal.boot is not None
    boot = adapter.greeting.boot
    reasons = []
    if resumed:
        reasons = doubts(journal, boot=boot, pulses=seen.pulses, tally=seen.count, flags=flags)
    elif reference_lost(flags):
        reasons = ["the positioner says that its position reference is lost"]
    if given is None:
        if reasons:
            raise Refused(f"the count may be lost: {'; '.join(reasons)}; {HOW_TO_PROVE}")
        if resumed:
            return
        if not as_read:
            with _lease_fed(adapter):
                sure = _confirm(f"The port reads count {seen.count} here. Is that right?")
            if not sure:
                raise Refused(f"the count is not known: {HOW_TO_PROVE}")
        journal.reference = f"count {seen.count} as the port read it"
        return
    off = given != seen.count
    if resumed and (reasons or off):
        why = reasons or [f"the port read {seen.count} where the dish stands at {given}"]
        _remark(f"{'; '.join(why)}: what was set before is put back anew")
        journal.forget()
    if off:
        adapter.tally(given)
    journal.reference = f"said to stand at count {given}"
    journal.boot = boot


@contextmanager
def _lease_fed(adapter: Adapter) -> Iterator[None]:
    """Feed the lease while a person thinks, so that the next frame is not refused."""
    answered = threading.Event()

    def feed() -> None:
        while not answered.wait(FEED_S):
            with suppress(LinkError):  # the next request reports it
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
            f"the adapter at {port} sends no counts ({', '.join(missing)} missing), so nothing "
            "shows where the dish stands: fit the tap at the sensor, or drive to each "
            "satellite by the meter in the console and store it there"
        )


def _usual_journal(station: Path, port: str) -> Path:
    import platformdirs  # noqa: PLC0415

    identity = f"{station.resolve()}\n{port}"
    name = f"{station.stem}-{hashlib.sha256(identity.encode()).hexdigest()[:12]}.json"
    return platformdirs.user_state_path("arcstep") / "restore" / name


def _print_plan(plan: Plan, journal: Journal, here: int | None, *, json: bool) -> None:
    if json:
        print(*view.plan_json(plan, journal, here), sep="\n")
    else:
        print(view.plan_text(plan, journal, here), flush=True)


def _confirm(question: str) -> bool:
    return ask(f"{question} Type yes: ", lambda answer: answer in ("y", "yes"))


def _print_wrapped(line: str) -> None:
    print(view.wrap(line), flush=True)


def _remark(text: str) -> None:
    if text:
        print(f"arcstep: {text}", file=sys.stderr, flush=True)
