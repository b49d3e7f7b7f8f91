"""Two position lists compared with each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from bridge.station.model import Position, Station
from bridge.textfile.checked import Table
from sim.lists.finding import ListFinding

TABLES = ("station", "dish", "mount", "limits", "ends", "positioner")
ALIKE = 2  # counts moved by the same number from which the whole list has moved (judgement)


def compare(before: Station, after: Station) -> list[ListFinding]:
    """What differs, the station as a whole first, then each position by number."""
    found = [*_tables(before, after)]
    old = {row.number: row for row in before.position}
    new = {row.number: row for row in after.position}
    moved: list[int] = []
    rows: list[ListFinding] = []
    for number in sorted(old.keys() | new.keys()):
        if number not in new:
            rows.append(ListFinding(number, "removed", f"{old[number].name} is gone"))
        elif number not in old:
            rows.append(ListFinding(number, "added", f"{_whole(new[number])} is new"))
        else:
            rows += _row(old[number], new[number])
            counts = old[number].count, new[number].count
            if counts[0] is not None and counts[1] is not None:
                moved.append(counts[1] - counts[0])
    steps = set(moved)
    if len(moved) >= ALIKE and len(steps) == 1 and 0 not in steps:
        detail = f"all {len(moved)} counts that both files hold moved by {steps.pop():+d}"
        found.append(ListFinding(None, "moved alike", detail))
    return found + rows


def _whole(row: Position) -> str:
    count = "not taught" if row.count is None else f"count {row.count}"
    return f"{row.name} ({count})"


def _row(old: Position, new: Position) -> Iterator[ListFinding]:
    for key in Position.model_fields:
        was, now = getattr(old, key), getattr(new, key)
        if was == now:
            continue
        step = f" ({now - was:+g})" if _both_numbers(was, now) else ""
        detail = f"{_shown(was)} -> {_shown(now)}{step}"
        yield ListFinding(new.number, key, detail, subject=f"{key} of {new.name}")


def _tables(before: Station, after: Station) -> Iterator[ListFinding]:
    for name in TABLES:
        old, new = getattr(before, name), getattr(after, name)
        was, now = _pairs(old), _pairs(new)
        for key in dict.fromkeys([*was, *now]):
            if was.get(key) != now.get(key):
                detail = f"{_shown(was.get(key))} -> {_shown(now.get(key))}"
                yield ListFinding(None, f"{name}.{key}", detail, subject=f"{name}.{key}")


def _pairs(table: Table | None) -> dict[str, object]:
    return {} if table is None else table.model_dump()


def _both_numbers(was: object, now: object) -> bool:
    return isinstance(was, int | float) and isinstance(now, int | float)


def _obstacle(value: Mapping[str, Any]) -> str:
    first, last = value["azimuth_deg"]
    return f"azimuth {first:g} to {last:g} up to {value['elevation_deg']:g} deg"


def _shown(value: object) -> str:
    if value is None:
        return "none"
    if isinstance(value, Sequence) and not isinstance(value, str):  # obstacles
        return "; ".join(_obstacle(one) for one in value) or "none"
    if isinstance(value, float):
        return f"{value:.10g}"
    return f'"{value}"' if isinstance(value, str) else str(value)
