"""A station file as a person wrote it: keys set, positions added and removed, the rest untouched.

Values are written by tomlkit. The text around them is left alone by `comments`, because tomlkit
counts a comment above `[[position]]` to the table before it and would move or drop it with that.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path

from pydantic import BaseModel

from bridge.errors import BadInput
from bridge.station.comments import (
    Splice,
    add_in_braces,
    add_line,
    end_of_table,
    next_line,
    remove_in_braces,
    remove_lines,
    spliced,
    start_with_comment,
    with_block,
    without_block,
)
from bridge.station.model import (
    Controller,
    KnownEnds,
    LinearMount,
    Position,
    ReflectorTable,
    SiteTable,
    SoftLimits,
    Station,
)
from bridge.textfile.checked import check, parse_checked
from bridge.textfile.mistakes import Problem, dotted
from bridge.textfile.places import KeyPath, KeyPlace, places_of
from bridge.textfile.read import read_bytes
from bridge.textfile.save import save_whole

Value = int | float | str | date
BOM = b"\xef\xbb\xbf"

# Tables of a station file and the models whose order of keys a new key follows.
_TABLES: dict[str, type[BaseModel]] = {
    "station": SiteTable,
    "dish": ReflectorTable,
    "mount": LinearMount,
    "limits": SoftLimits,
    "ends": KnownEnds,
    "positioner": Controller,
    "position": Position,
}
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


class StationFile:
    """The text of a station file and the station in it; edits stay in memory until `save`.

    `station` is the file as it was read or last saved; `text` shows the edits.
    """

    def __init__(self, path: str | Path) -> None:
        """Raises YardError with every mistake, one a line, and BadInput for no file."""
        self.path = Path(path)
        self._on_disk = read_bytes(self.path)
        self._bom = self._on_disk.startswith(BOM)
        try:
            self.text = self._on_disk.removeprefix(BOM).decode("utf-8")
        except UnicodeDecodeError as error:
            raise BadInput(
                f"{path}: byte {error.start} is not UTF-8; save the file as UTF-8"
            ) from None
        self.station = parse_checked(self.text, str(path), Station)
        self._newline = "\r\n" if "\r\n" in self.text else "\n"

    def index(self, number: int) -> int:
        """The index of a position number in the file's list, from 0. Raises BadInput."""
        numbers = [row.get("number") for row in self._rows()]
        if number not in numbers:
            known = ", ".join(map(str, numbers)) or "none"
            raise BadInput(f"{self.path}: no position has number {number}; there are {known}")
        return numbers.index(number)

    def set(self, path: KeyPath, value: Value | None) -> None:
        """Set one key, `("limits", "east")` or `("position", 0, "count")`; None removes it."""
        self.edit({path: value})

    def edit(self, changes: Mapping[KeyPath, Value | None]) -> None:
        """Set or remove many keys at once; a key that has the value already keeps its spelling.

        Raises BadInput for a key of a position that is not there.
        """
        text, data = self.text, tomllib.loads(self.text)
        places = places_of(text)
        splices: list[Splice] = []
        in_braces: list[KeyPath] = []
        new_tables: dict[str, dict[str, Value]] = {}
        for path, value in sorted(changes.items(), key=_in_model_order):
            table, key = path[:-1], str(path[-1])
            if path in places:
                if value is None and places[table].header:
                    splices.append(remove_lines(text, places[path]))
                elif value is None:
                    in_braces.append(path)
                elif _look_up(data, path) != value:
                    splices.append(Splice(places[path].start, places[path].end, _toml(value)))
            elif value is not None and table in places:
                splices.append(self._new_key(places, path, value))
            elif value is not None and len(table) == 1:
                new_tables.setdefault(str(table[0]), {})[key] = value
            elif value is not None:
                raise BadInput(f"{self.path}: there is no {dotted(table)} to set {key} in")
        self.text = spliced(text, splices)
        for path in in_braces:  # one at a time: which comma goes depends on the pairs left
            places = places_of(self.text)
            splice = remove_in_braces(self.text, places[path[:-1]], places[path])
            self.text = spliced(self.text, [splice])
        for name, pairs in new_tables.items():
            self._add_table(name, pairs)

    def set_position(self, number: int, key: str, value: Value | None) -> None:
        """Set one key of the position with a number."""
        self.set(("position", self.index(number), key), value)

    def add(self, pairs: Mapping[str, Value | None]) -> None:
        """Put a position at the end of the list. Raises BadInput for a list in brackets."""
        places = places_of(self.text)
        rows = len(self._rows())
        self._require_tables(places, rows)
        at = end_of_table(self.text, places, ("position", rows - 1)) if rows else len(self.text)
        block = self._block("[[position]]", ("position",), pairs)
        self.text = with_block(self.text, at, block, self._newline)

    def remove(self, number: int) -> None:
        """Take a position out of the list, with the comments right above its header."""
        places = places_of(self.text)
        self._require_tables(places, len(self._rows()))
        path: KeyPath = ("position", self.index(number))
        start = start_with_comment(self.text, places[path].key)
        last = max(place.end for other, place in places.items() if other[:2] == path)
        self.text = without_block(self.text, start, next_line(self.text, last))

    def problems(self) -> list[Problem]:
        """Everything that the edits made wrong, in the order of the file."""
        return check(self.text, str(self.path), Station).problems()

    def validate(self) -> Station:
        """The station with its edits. Raises YardError with every mistake they brought in."""
        return parse_checked(self.text, str(self.path), Station)

    def save(self) -> Path | None:
        """Write the file whole and keep its former content; returns where, None if unchanged.

        Raises YardError for edits that make no station, and BadInput where another program has
        changed the file; nothing is written then.
        """
        station = self.validate()
        content = (BOM if self._bom else b"") + self.text.encode("utf-8")
        if content == self._on_disk:
            return None
        backup = save_whole(self.path, content, expected=self._on_disk)
        self._on_disk, self.station = content, station
        return backup

    def _rows(self) -> list[dict[str, object]]:
        return list(tomllib.loads(self.text).get("position", []))

    def _require_tables(self, places: dict[KeyPath, KeyPlace], rows: int) -> None:
        if rows and not places["position", 0].header:
            raise BadInput(
                f"{self.path}: its positions are members of one list in brackets; write each as a"
                " table [[position]] of its own, then entries can be added and removed"
            )

    def _new_key(self, places: dict[KeyPath, KeyPlace], path: KeyPath, value: Value) -> Splice:
        """The splice that puts a key into a table, after the last key that comes before it."""
        table, key = path[:-1], str(path[-1])
        pair = f"{_key(key)} = {_toml(value)}"
        home = places[table]
        if self.text[home.start] == "{":
            return add_in_braces(self.text, home, pair)
        if not home.header:
            raise BadInput(
                f"{self.path}: {dotted(table)} has no table of its own; write its keys under"
                f" [{dotted(table)}], then {key} can be added"
            )
        earlier = _order(table)[: _rank(table, key)]
        siblings = [
            place
            for other, place in places.items()
            if other[:-1] == table and other[-1] in earlier and not place.header
        ]
        after = max([home, *siblings], key=lambda place: place.end)
        return add_line(self.text, after, pair, self._newline)

    def _block(self, header: str, table: KeyPath, pairs: Mapping[str, Value | None]) -> str:
        """The lines of a new table, its keys in the model's order."""
        ordered = sorted(pairs.items(), key=lambda pair: _rank(table, pair[0]))
        lines = [f"{_key(key)} = {_toml(value)}" for key, value in ordered if value is not None]
        return self._newline.join([header, *lines]) + self._newline

    def _add_table(self, name: str, pairs: Mapping[str, Value]) -> None:
        """Put a new table before the list of positions."""
        first = places_of(self.text).get(("position", 0))
        at = len(self.text) if first is None else start_with_comment(self.text, first.key)
        block = self._block(f"[{name}]", (name,), pairs)
        self.text = with_block(self.text, at, block, self._newline)


def _order(table: KeyPath) -> list[str]:
    """The keys of a table in the model's order; none for a table the model does not know."""
    model = _TABLES.get(str(table[0]))
    return list(model.model_fields) if model else []


def _rank(table: KeyPath, key: str) -> int:
    """Where a key stands in its table; unknown keys come last."""
    order = _order(table)
    return order.index(key) if key in order else len(order)


def _in_model_order(change: tuple[KeyPath, object]) -> tuple[int, int]:
    path, _ = change
    index = path[1] if len(path) > 2 and isinstance(path[1], int) else 0
    return index, _rank(path[:-1], str(path[-1]))


def _look_up(data: object, path: KeyPath) -> object:
    for part in path:
        data = data[part]  # type: ignore[index]  # the path is one of this text's own
    return data


def _key(name: str) -> str:
    import tomlkit  # noqa: PLC0415 - 30 ms that only a writer spends

    return name if _BARE_KEY.fullmatch(name) else tomlkit.string(name).as_string()


def _toml(value: Value) -> str:
    import tomlkit  # noqa: PLC0415 - 30 ms that only a writer spends

    return tomlkit.item(value).as_string()
