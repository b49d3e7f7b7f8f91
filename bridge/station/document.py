"""A station file as a person wrote it: keys set, positions added and removed, the rest untouched.

Values are written by tomlkit; the text around them is left alone here, because tomlkit counts a
comment above `[[position]]` to the table before it and would move or drop it with that table.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path

from pydantic import BaseModel

from bridge.errors import BadInput
from bridge.station.model import (
    Controller,
    KnownEnds,
    LinearMount,
    Position,
    Reflector,
    Site,
    SoftLimits,
    Station,
)
from bridge.textfile.checked import parse_checked
from bridge.textfile.mistakes import dotted
from bridge.textfile.places import Path as KeyPath
from bridge.textfile.places import Place, places_of
from bridge.textfile.save import read_bytes, save_whole

Value = int | float | str | date
BOM = b"\xef\xbb\xbf"

_TABLES: dict[str, type[BaseModel]] = {
    "station": Site,
    "dish": Reflector,
    "mount": LinearMount,
    "limits": SoftLimits,
    "ends": KnownEnds,
    "positioner": Controller,
    "position": Position,
}
_BARE = re.compile(r"[A-Za-z0-9_-]+")


class StationFile:
    """The text of a station file and what it says; edits stay in memory until `save`.

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
        """Where in the file's list a position number stands, from 0. Raises BadInput."""
        for index, row in enumerate(self._rows()):
            if row.get("number") == number:
                return index
        numbers = ", ".join(str(row.get("number")) for row in self._rows()) or "none"
        raise BadInput(f"{self.path}: no position has number {number}; there are {numbers}")

    def set(self, path: KeyPath, value: Value | None) -> None:
        """Set one key, `("limits", "east")` or `("position", 0, "count")`; None removes it."""
        self.edit({path: value})

    def edit(self, changes: Mapping[KeyPath, Value | None]) -> None:
        """Set or remove many keys at once; a key that has the value already keeps its spelling."""
        text, data = self.text, tomllib.loads(self.text)
        places = places_of(text)
        splices: list[tuple[int, int, str]] = []
        fresh: dict[str, dict[str, Value]] = {}
        bracketed: list[KeyPath] = []
        for path, value in sorted(changes.items(), key=_in_model_order):
            table, key = path[:-1], str(path[-1])
            if path in places:
                if value is None and places[table].header:
                    splices.append(_whole_lines(text, places[path]))
                elif value is None:
                    bracketed.append(path)
                elif _look_up(data, path) != value:
                    splices.append((places[path].start, places[path].end, _written(value)))
            elif value is not None and table in places:
                splices.append(self._insertion(places, path, value))
            elif value is not None and len(table) == 1:
                fresh.setdefault(str(table[0]), {})[key] = value
            elif value is not None:
                raise BadInput(f"{self.path}: there is no {dotted(table)} to set {key} in")
        self.text = _spliced(text, splices)
        for path in bracketed:  # one at a time: what each leaves of the commas depends on the last
            places = places_of(self.text)
            splice = _out_of_braces(self.text, places[path[:-1]], places[path])
            self.text = _spliced(self.text, [splice])
        for name, pairs in fresh.items():
            self._put_before_list(f"[{name}]", pairs)

    def set_position(self, number: int, key: str, value: Value | None) -> None:
        """Set one key of the position with a number."""
        self.set(("position", self.index(number), key), value)

    def add(self, pairs: Mapping[str, Value | None]) -> None:
        """Put a position at the end of the list."""
        places = places_of(self.text)
        rows = len(self._rows())
        self._require_tables(places, rows)
        body = self._block("[[position]]", pairs)
        end = len(self.text)
        if rows:
            end = _block_end(self.text, places, ("position", rows - 1))
        before, after = self.text[:end].rstrip(" \t\r\n"), self.text[end:].lstrip("\r\n")
        gap = self._newline * 2 if before else ""
        self.text = before + gap + body + (self._newline + after if after else "")

    def remove(self, number: int) -> None:
        """Take a position out of the list, with the comments right above its header."""
        places = places_of(self.text)
        rows = len(self._rows())
        self._require_tables(places, rows)
        path: KeyPath = ("position", self.index(number))
        start = _lead_in(self.text, places[path].key)
        own = [place.end for other, place in places.items() if other[:2] == path]
        end = _after_line(self.text, max(own))
        kept = self.text[end:]
        if self.text[:start].endswith(("\n\n", "\n\r\n")) or not start:
            kept = kept.lstrip("\r\n")
        self.text = self.text[:start] + kept

    def check(self) -> Station:
        """The station with its edits. Raises YardError with every mistake they brought in."""
        return parse_checked(self.text, str(self.path), Station)

    def save(self) -> Path | None:
        """Write the file whole, its former content kept beside it; returns where, None unchanged.

        Raises YardError as `check` does, and BadInput where another program has changed the file;
        nothing is written then.
        """
        station = self.check()
        content = (BOM if self._bom else b"") + self.text.encode("utf-8")
        if content == self._on_disk:
            return None
        kept = save_whole(self.path, content, expected=self._on_disk)
        self._on_disk, self.station = content, station
        return kept

    def _rows(self) -> list[dict[str, object]]:
        rows = tomllib.loads(self.text).get("position", [])
        return list(rows)

    def _require_tables(self, places: dict[KeyPath, Place], rows: int) -> None:
        if rows and not places["position", 0].header:
            raise BadInput(
                f"{self.path}: its positions are members of one list in brackets; write each as a"
                " table [[position]] of its own, then entries can be added and removed"
            )

    def _insertion(
        self, places: dict[KeyPath, Place], path: KeyPath, value: Value
    ) -> tuple[int, int, str]:
        """The splice that puts a new key into a table, after the one that comes before it."""
        table, key = path[:-1], str(path[-1])
        text, home = self.text, places[table]
        if text[home.start] == "{":
            return _into_braces(text, home, f"{_key(key)} = {_written(value)}")
        if not home.header:
            raise BadInput(
                f"{self.path}: {dotted(table)} has no table of its own; write its keys under"
                f" [{dotted(table)}], then {key} can be added"
            )
        order = _order(table)
        rank = order.index(key) if key in order else len(order)
        before = home
        for other, place in places.items():
            earlier = other[:-1] == table and other[-1] in order[:rank] and not place.header
            if earlier and place.end > before.end:
                before = place
        at = _end_of_line(text, before.end)
        line = text[text.rfind("\n", 0, before.key) + 1 : before.key]
        indent = line if before is not home and not line.strip() else ""
        return at, at, f"{self._newline}{indent}{_key(key)} = {_written(value)}"

    def _block(self, header: str, pairs: Mapping[str, Value | None]) -> str:
        name = header.strip("[]")
        order = _order((name,))
        known = sorted(
            pairs.items(), key=lambda pair: order.index(pair[0]) if pair[0] in order else 99
        )
        lines = [f"{_key(key)} = {_written(value)}" for key, value in known if value is not None]
        return self._newline.join([header, *lines]) + self._newline

    def _put_before_list(self, header: str, pairs: Mapping[str, Value]) -> None:
        places = places_of(self.text)
        first = places.get(("position", 0))
        at = len(self.text) if first is None else _lead_in(self.text, first.key)
        before, after = self.text[:at].rstrip(" \t\r\n"), self.text[at:]
        gap = self._newline * 2 if before else ""
        block = self._block(header, pairs)
        self.text = before + gap + block + (self._newline + after if after else "")


def _order(table: KeyPath) -> list[str]:
    model = _TABLES.get(str(table[0]))
    return list(model.model_fields) if model else []


def _in_model_order(change: tuple[KeyPath, object]) -> tuple[int, int]:
    path, _ = change
    order, key = _order(path[:-1]), path[-1]
    index = path[1] if len(path) > 2 and isinstance(path[1], int) else 0
    return index, order.index(str(key)) if key in order else len(order)


def _look_up(data: object, path: KeyPath) -> object:
    for part in path:
        data = data[part]  # type: ignore[index]  # the path is one of this text's own
    return data


def _key(name: str) -> str:
    import tomlkit  # noqa: PLC0415 - 30 ms that only a writer spends

    return name if _BARE.fullmatch(name) else tomlkit.string(name).as_string()


def _written(value: Value) -> str:
    import tomlkit  # noqa: PLC0415 - 30 ms that only a writer spends

    return tomlkit.item(value).as_string()


def _end_of_line(text: str, at: int) -> int:
    """Before the newline that ends the line of `at`."""
    newline = text.find("\n", at)
    end = len(text) if newline < 0 else newline
    return end - 1 if text[end - 1 : end] == "\r" else end


def _after_line(text: str, at: int) -> int:
    newline = text.find("\n", at)
    return len(text) if newline < 0 else newline + 1


def _lead_in(text: str, header: int) -> int:
    """The start of the comment lines right above a header, or of its own line."""
    start = text.rfind("\n", 0, header) + 1
    while start:
        above = text.rfind("\n", 0, start - 1) + 1
        if not text[above:start].lstrip().startswith("#"):
            break
        start = above
    return start


def _block_end(text: str, places: dict[KeyPath, Place], table: KeyPath) -> int:
    """Where the lines of a table end and those that belong to the next header begin."""
    here = places[table].key
    later = [place.key for place in places.values() if place.header and place.key > here]
    return _lead_in(text, min(later)) if later else len(text)


def _into_braces(text: str, home: Place, pair: str) -> tuple[int, int, str]:
    """The splice that adds a pair at the end of a table in braces."""
    inside = text[home.start + 1 : home.end - 1]
    at = home.start + 1 + len(inside.rstrip())
    return at, at, f", {pair}" if inside.strip() else f" {pair}"


def _whole_lines(text: str, place: Place) -> tuple[int, int, str]:
    """The splice that takes out the lines of a key and its value."""
    return text.rfind("\n", 0, place.key) + 1, _after_line(text, place.end), ""


def _out_of_braces(text: str, home: Place, place: Place) -> tuple[int, int, str]:
    """The splice that takes a pair out of a table in braces, and one comma with it."""
    start, end = place.key, place.end
    if after := re.compile(r"\s*,[ \t]*").match(text, end):
        return start, after.end(), ""
    while start > home.start + 1 and text[start - 1] in " \t\r\n,":
        start -= 1
    return start, end, ""


def _spliced(text: str, splices: list[tuple[int, int, str]]) -> str:
    """A text with parts replaced, all of them told by where they stood before."""
    parts: list[str] = []
    at = 0
    for start, end, new in sorted(splices, key=lambda splice: splice[0]):
        parts += [text[at:start], new]
        at = end
    return "".join([*parts, text[at:]])
