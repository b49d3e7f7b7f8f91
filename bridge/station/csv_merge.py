"""A spreadsheet's rows merged into a station file: changed, added, and removed when asked."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.errors import YardError
from bridge.station.cell import Cell
from bridge.station.csv_sheet import Sheet
from bridge.station.document import StationFile, Value
from bridge.station.model import Position
from bridge.textfile.places import KeyPath


@dataclass(frozen=True, slots=True)
class Change:
    """One key of a position, with its value in the file and that in the sheet."""

    number: int
    key: str
    old: Cell
    new: Cell


@dataclass(frozen=True, slots=True)
class Merge:
    """What a merge did, by position numbers; `absent` are not in the sheet and stay in the file."""

    changed: tuple[Change, ...]
    added: tuple[int, ...]
    removed: tuple[int, ...]
    absent: tuple[int, ...]


def merge(file: StationFile, sheet: Sheet, *, replace: bool = False) -> Merge:
    """Edit `file` after `sheet`, unsaved; an empty cell takes the key out of its position.

    With `replace`, positions that the sheet does not hold are removed. Raises YardError for a new
    position without a name.
    """
    known = {row.number: row for row in file.station.position}
    places = {row.number: index for index, row in enumerate(file.station.position)}
    _require_names(sheet, known)
    edits: dict[KeyPath, Value | None] = {}
    changed: list[Change] = []
    added: list[dict[str, Cell]] = []
    for _, cells in sheet.rows:
        number = cells["number"]
        if not isinstance(number, int) or number not in known:
            added.append(cells)
            continue
        for key, value in cells.items():
            old = getattr(known[number], key)
            if old != _filled(key, value):
                edits["position", places[number], key] = value
                changed.append(Change(number, key, old, value))
    listed = {cells["number"] for _, cells in sheet.rows}
    absent = tuple(number for number in known if number not in listed)
    file.edit(edits)
    for number in absent if replace else ():
        file.remove(number)
    for cells in added:
        file.add(cells)
    new = tuple(cells["number"] for cells in added if isinstance(cells["number"], int))
    return Merge(tuple(changed), new, absent if replace else (), () if replace else absent)


def _require_names(sheet: Sheet, known: dict[int, Position]) -> None:
    """Raises YardError with every row that adds a position and gives it no name."""
    nameless = [
        f"{sheet.where}: row {row}: name: is missing; position {cells['number']} is new, give it"
        " one"
        for row, cells in sheet.rows
        if cells["number"] not in known and cells.get("name") is None
    ]
    if nameless:
        raise YardError("\n".join(nameless))


def _filled(key: str, value: Cell) -> Cell:
    """The value that a key has when its cell is empty: its default."""
    return Position.model_fields[key].get_default() if value is None else value
