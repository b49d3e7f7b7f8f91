"""A spreadsheet's rows put into a station file: changed, added, and removed when asked."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from bridge.errors import YardError
from bridge.station.document import StationFile
from bridge.station.model import Position
from bridge.station.sheet import Cell, Sheet
from bridge.textfile.places import KeyPath


@dataclass(frozen=True, slots=True)
class Merge:
    """What a merge did: keys with their old and new values, and numbers."""

    changed: tuple[tuple[int, str, Cell, Cell], ...]
    added: tuple[int, ...]
    removed: tuple[int, ...]
    left: tuple[int, ...]  # in the file, not in the sheet, and kept


def merge(file: StationFile, sheet: Sheet, *, replace: bool = False) -> Merge:
    """Edit `file` after `sheet`, unsaved; an empty cell takes the key out of its position.

    With `replace`, positions that the sheet does not hold are removed. Raises YardError for a new
    position without a name.
    """
    known = {row.number: row for row in file.station.position}
    places = {row.number: index for index, row in enumerate(file.station.position)}
    edits: dict[KeyPath, int | float | str | date | None] = {}
    changed: list[tuple[int, str, Cell, Cell]] = []
    fresh: list[dict[str, Cell]] = []
    nameless: list[str] = []
    for row, cells in sheet.rows:
        number = cells["number"]
        if not isinstance(number, int) or number not in known:
            if cells.get("name") is None:
                nameless.append(
                    f"{sheet.where}: row {row}: name: is missing; position {number} is new, give"
                    " it one"
                )
            fresh.append(cells)
            continue
        for key, value in cells.items():
            old = getattr(known[number], key)
            if key != "number" and old != _filled(key, value):
                edits["position", places[number], key] = value
                changed.append((number, key, old, value))
    if nameless:
        raise YardError("\n".join(nameless))
    mentioned = {cells["number"] for _, cells in sheet.rows}
    left = tuple(number for number in known if number not in mentioned)
    file.edit(edits)
    for number in left if replace else ():
        file.remove(number)
    for cells in fresh:
        file.add(cells)
    added = tuple(cells["number"] for cells in fresh if isinstance(cells["number"], int))
    return Merge(tuple(changed), added, left if replace else (), () if replace else left)


def _filled(key: str, value: Cell) -> Cell:
    """What a key holds when it is left out."""
    return Position.model_fields[key].get_default() if value is None else value
