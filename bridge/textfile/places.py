"""Where each key and value of a TOML text stands, so that a person can be shown the line.

The text is one that `tomllib` has read already: nothing is checked here, only walked over.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass

KeyPath = tuple[str | int, ...]  # ("position", 0, "count"): names, and indices from 0

_QUOTES = ('"""', "'''", '"', "'")


@dataclass(frozen=True, slots=True)
class KeyPlace:
    """Where a value stands: `line` from 1 of its key or header, `text[start:end]` the value.

    `key` is where the key begins, or of a member of a list the value itself. For a table under
    a header, `start` and `end` bound the header.
    """

    line: int
    key: int
    start: int
    end: int
    header: bool = False


def places_of(text: str) -> dict[KeyPath, KeyPlace]:
    """Every key path of a valid TOML text and where it stands, in the order of the text.

    >>> places = places_of("[a]\\nb = 1\\n[[c]]\\nd = 2\\n[[c]]\\nd = 3  # late")
    >>> places["c", 1, "d"]
    KeyPlace(line=6, key=28, start=32, end=33, header=False)
    """
    return _Scanner(text).run()


def line_of(text: str, path: Iterable[str | int]) -> int | None:
    """The line (from 1) on which a key path begins, or that of the nearest table that holds it.

    >>> line_of("[a]\\nb = 1\\n[[c]]\\nd = 2\\n[[c]]\\nd = 3", ["c", 1, "d"])
    6
    """
    return nearest_line(places_of(text), path)


def nearest_line(places: dict[KeyPath, KeyPlace], path: Iterable[str | int]) -> int | None:
    """As `line_of`, with the places known already."""
    whole = tuple(path)
    for depth in range(len(whole), 0, -1):
        if place := places.get(whole[:depth]):
            return place.line
    return None


class _Scanner:
    """One pass over a text; `at` is the offset reached."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.places: dict[KeyPath, KeyPlace] = {}
        self.entries: dict[KeyPath, int] = {}  # tables that repeat, and the last index of each
        self._line, self._counted = 1, 0

    def run(self) -> dict[KeyPath, KeyPlace]:
        table: KeyPath = ()
        while self._skip(" \t\r\n"):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
        return self.places

    def _line_at(self, at: int) -> int:
        self._line += self.text.count("\n", self._counted, at)
        self._counted = at
        return self._line

    def _skip(self, blanks: str) -> bool:
        """Past blanks and comments; False at the end of the text."""
        text, end = self.text, len(self.text)
        while self.at < end:
            if text[self.at] == "#":
                newline = text.find("\n", self.at)
                self.at = end if newline < 0 else newline
            elif text[self.at] in blanks:
                self.at += 1
            else:
                return True
        return False

    def _header(self) -> KeyPath:
        start = self.at
        line = self._line_at(start)
        depth = 2 if self.text.startswith("[[", start) else 1
        self.at += depth
        parts = self._key("]")
        self.at += depth
        path: KeyPath = ()
        for part in parts[:-1]:
            path = self._into((*path, part))
        path = (*path, parts[-1])
        place = KeyPlace(line, start, start, self.at, header=True)
        if depth == 2:
            self.places.setdefault(path, place)
            self.entries[path] = self.entries.get(path, -1) + 1
            path = (*path, self.entries[path])
        self.places[path] = place
        return path

    def _into(self, path: KeyPath) -> KeyPath:
        """The entry that a name stands for under a later header: the last one of its kind."""
        return (*path, self.entries[path]) if path in self.entries else path

    def _pair(self, table: KeyPath) -> None:
        key = self.at
        line = self._line_at(key)
        parts = self._key("=")
        self.at += 1
        for depth in range(1, len(parts)):  # a dotted key makes the tables on its way
            self.places.setdefault((*table, *parts[:depth]), KeyPlace(line, key, key, key))
        self._value((*table, *parts), key)

    def _key(self, until: str) -> list[str]:
        start = self.at
        while self.text[self.at] != until:
            if self.text[self.at] in "\"'":
                self._string()
            else:
                self.at += 1
        return _parts(self.text[start : self.at])

    def _value(self, path: KeyPath, key: int | None = None) -> None:
        self._skip(" \t\r\n")
        start = self.at
        key = start if key is None else key
        line = self._line_at(start)  # a value begins on the line of its key
        first = self.text[start]
        self.places[path] = KeyPlace(line, key, start, start)  # before what it holds
        if first in "\"'":
            self._string()
        elif first == "[":
            self._array(path)
        elif first == "{":
            self._inline_table(path)
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\r\n":
                self.at += 1
            while self.text[self.at - 1] in " \t":
                self.at -= 1
        self.places[path] = KeyPlace(line, key, start, self.at)

    def _array(self, path: KeyPath) -> None:
        self.at += 1
        index = 0
        while self._skip(" \t\r\n,") and self.text[self.at] != "]":
            self._value((*path, index))
            index += 1
        self.at += 1

    def _inline_table(self, path: KeyPath) -> None:
        self.at += 1
        while self._skip(" \t\r\n,") and self.text[self.at] != "}":
            self._pair(path)
        self.at += 1

    def _string(self) -> None:
        text = self.text
        quote = next(q for q in _QUOTES if text.startswith(q, self.at))
        self.at += len(quote)
        while not text.startswith(quote, self.at):
            self.at += 2 if text[self.at] == "\\" and quote[0] == '"' else 1
        self.at += len(quote)
        while len(quote) == 3 and text.startswith(quote[0], self.at):
            self.at += 1  # up to two quotes of the text may stand before the closing three


def _parts(key: str) -> list[str]:
    """The names of a dotted key, unquoted."""
    found: object = tomllib.loads(f"{key} = 0")
    parts: list[str] = []
    while isinstance(found, dict):
        [(name, found)] = found.items()
        parts.append(name)
    return parts
