"""How a restoration is shown: the plan before it, its progress, and what was proved at its end."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from bridge.bus.meaning import plural
from bridge.restore.journal import Journal
from bridge.restore.plan import Plan, Target, proofs_of, route_of
from bridge.restore.requests import Notice, Observation

WIDTH = 80  # columns (judgement)
PROOF_S = 15.0  # s of one return at the end besides the way to it (judgement)
BLIND = (
    "Counts tell no direction: with the motor's pair reversed all of this would look the same, so "
    "see one satellite on the receiver at each side of the arc"
)
Report = Callable[[Notice | Observation], None]


def wrap(text: str) -> str:
    """`text` in lines of WIDTH columns, indented from the second on."""
    return textwrap.fill(text, WIDTH, subsequent_indent="  ")


def plan_text(plan: Plan, journal: Journal, here: int | None) -> str:
    """Everything that would be done, in order, with what it costs."""
    facts = _facts(plan, journal, here)
    what = [plural(len(plan.positions), "position")]
    what += ["both limits"] if plan.limits else []
    lines = [f"To put back: {' and '.join(what)}."]
    if plan.by_counter:
        lines.append("By counter writes, without motion, then some returns as proof.")
    else:
        lines.append(
            f"By driving: about {facts['travel_counts']} counts in {facts['stops']} stops and "
            f"{_minutes(facts['seconds'])}, arriving {facts['arrive']}ward at each position; the "
            "speed is a usual one."
        )
    lines += ["", f"{'':>2} {'no':>5} {'name':<20} {'count':>7} {'from there':>10}  state"]
    before = here
    for nth, (target, state) in enumerate(_in_order(plan, journal, here), start=1):
        driven = before is not None and state == "to do" and not plan.by_counter
        way = f"{target.count - before:+}" if driven and before is not None else ""
        number = "limit" if isinstance(target.what, str) else str(target.what)
        name = target.what if isinstance(target.what, str) else target.name
        name = name if len(name) <= 20 else name[:19] + "…"
        lines.append(f"{nth:>2} {number:>5} {name:<20} {target.count:>7} {way:>10}  {state}")
        before = target.count if state == "to do" else before
    proofs = ", ".join(str(number) for number in facts["proofs"])
    lines += ["", f"Then, as proof, back by number to {proofs}, the count to be seen there."]
    if plan.limits and not plan.by_counter:
        lines.append(
            "Until the limits are set, the positioner's own are switched off; the counts are held "
            f"between {plan.east} and {plan.west} from here. That is no safety device."
        )
    elif not plan.limits:
        lines.append("Limits are left as they are; a stored position switches them on.")
    if plan.arrive is None and not plan.by_counter:
        lines.append("The file names no approach side, so the one with less travel is taken.")
    return "\n".join(wrap(line) if len(line) > WIDTH else line for line in lines)


def plan_json(plan: Plan, journal: Journal, here: int | None) -> Iterator[str]:
    """The plan, one JSON object a line."""
    yield json.dumps({"kind": "plan", **_facts(plan, journal, here)})
    for target, state in _in_order(plan, journal, here):
        yield json.dumps(_row(target) | {"state": state}, ensure_ascii=False)


def _facts(plan: Plan, journal: Journal, here: int | None) -> dict[str, Any]:
    todo = [target for target in plan.targets if target.key not in journal.entries]
    route = route_of(plan, todo, here)
    proofs = _proofs(plan)
    # The returns end at the far end of the arc from where the sweep ended.
    back = abs(proofs[0].count - proofs[-1].count)
    seconds = len(proofs) * PROOF_S + back / plan.counts_per_s
    if not plan.by_counter:
        seconds += route.seconds(plan.counts_per_s)
    return {
        "arrive": route.arrive,
        "by_counter": plan.by_counter,
        "travel_counts": back if plan.by_counter else route.travel + back,
        "stops": (0 if plan.by_counter else route.stops) + 2 * len(proofs),
        "seconds": round(seconds),
        "proofs": [target.what for target in proofs],
    }


def notices_of(plan: Plan, journal: Journal, *, every_proof: bool) -> int:
    """How many notices of something done to expect: one for each target, one for each return."""
    todo = sum(target.key not in journal.entries for target in plan.targets)
    return todo + (len(plan.positions) if every_proof else len(_proofs(plan)))


def _proofs(plan: Plan) -> list[Target]:
    return proofs_of(plan, {t.what: 1 for t in plan.positions if isinstance(t.what, int)})


def _in_order(plan: Plan, journal: Journal, here: int | None) -> Iterator[tuple[Target, str]]:
    done = [target for target in plan.targets if target.key in journal.entries]
    todo = [target for target in plan.targets if target.key not in journal.entries]
    for target in done:
        yield target, journal.entries[target.key].state
    for target in route_of(plan, todo, here).targets if todo else ():
        yield target, "to do"


def _row(target: Target) -> dict[str, object]:
    if isinstance(target.what, str):
        return {"kind": "limit", "side": target.what, "count": target.count}
    return {
        "kind": "position",
        "number": target.what,
        "name": target.name,
        "count": target.count,
    }


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"


# ---- the end -----------------------------------------------------------------------------------


def results(plan: Plan, journal: Journal) -> Iterator[tuple[Target, str, int | None, str]]:
    """Each target with its state, the count seen at its proof, and a note."""
    for target in sorted(plan.targets, key=lambda target: target.count):
        entry, proof = journal.entries.get(target.key), journal.proofs.get(target.key)
        if entry is None:
            yield target, "not tried", None, ""
        elif proof is not None:
            yield target, "proved" if proof.ok else "failed", proof.count, proof.note
        else:
            yield target, entry.state, None, entry.note


def result_json(plan: Plan, journal: Journal) -> Iterator[str]:
    """The results, one JSON object a line, and a summary as the last."""
    for target, state, seen, note in results(plan, journal):
        proof = journal.proofs.get(target.key)
        row = _row(target) | {"state": state, "seen_count": seen, "note": note}
        row["signal_db"] = None if proof is None else proof.signal_db
        row["beside_db"] = None if proof is None else proof.beside_db
        yield json.dumps(row, ensure_ascii=False)
    yield json.dumps({"kind": "summary", "finished": journal.finished, **_tally(plan, journal)})


def _tally(plan: Plan, journal: Journal) -> dict[str, int]:
    states = [state for _, state, _, _ in results(plan, journal)]
    return {
        "proved": sum(state in ("proved", "holds") for state in states),
        "sent": sum(state in ("sent", "acknowledged") for state in states),
        "failed": states.count("failed"),
        "not_tried": states.count("not tried"),
    }


def result_text(plan: Plan, journal: Journal) -> str:
    """What was proved, what was only sent, what was not tried, each under its heading."""
    meanings = (
        ("proved", "Proved by returning"),
        ("holds", "Limits that hold"),
        ("failed", "FAILED the proof"),
        ("acknowledged", "Acknowledged, not returned to"),
        ("sent", "Sent, on a bus that confirms nothing; not returned to"),
        ("not tried", "Not tried"),
    )
    rows = list(results(plan, journal))
    lines = []
    for state, heading in meanings:
        names = [_short(target) for target, its, _, _ in rows if its == state]
        if names:
            lines.append(wrap(f"{heading}: {', '.join(names)}."))
    lines += [wrap(f"- {target.label}: {note}.") for target, _, _, note in rows if note]
    if any(state == "proved" for _, state, _, _ in rows):
        lines.append(wrap(f"- {BLIND}."))
    return "\n".join(lines)


def _short(target: Target) -> str:
    if isinstance(target.what, str):
        return f"{target.what} at {target.count}"
    return f"{target.what} {target.name}".strip()


# ---- on the way --------------------------------------------------------------------------------


@contextmanager
def progress(total: int, echo: Callable[[str], None] | None) -> Iterator[Report]:
    """A bar on a terminal; without one, what is done goes to `echo`, if there is one."""
    if not sys.stderr.isatty():

        def pass_on(report: Notice | Observation) -> None:
            if echo is not None and isinstance(report, Notice) and report.done:
                echo(report.text)

        yield pass_on
        return
    from rich.console import Console  # noqa: PLC0415 - only a terminal needs it
    from rich.progress import BarColumn, Progress, TextColumn  # noqa: PLC0415

    columns = (TextColumn("{task.completed:>3.0f}/{task.total:.0f}"), BarColumn(bar_width=20))
    description = TextColumn("{task.description}", markup=False)
    with Progress(*columns, description, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=total)
        current = ""

        def show(report: Notice | Observation) -> None:
            nonlocal current
            if isinstance(report, Observation):
                moving = f"driving {report.moving}" if report.moving else "at rest"
                bar.update(task, description=f"{current}; count {report.count}, {moving}")
            elif report.done:
                bar.console.print(report.text, markup=False, highlight=False)
                bar.advance(task)
            else:
                current = report.text

        yield show
