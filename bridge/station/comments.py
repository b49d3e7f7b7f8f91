"""A TOML text edited around its comments: each stays with the key or the table it belongs to.

A comment belongs to the line it ends, or to the header right below it. Every function names a
place or a change of a text; none changes anything by itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import NamedTuple

from bridge.textfile.places import KeyPath, KeyPlace

_BLANK = " \t\r\n"


class Splice(NamedTuple):
    """`text[start:end]` gives way to `new`."""

    start: int
    end: int
    new: str


def spliced(text: str, splices: Iterable[Splice]) -> str:
    """A text with parts replaced. Splices must not overlap; all count from the text as it was.

    >>> spliced("a = 1  # one", [Splice(4, 5, "2")])
    'a = 2  # one'
    """
    parts: list[str] = []
    at = 0
    for start, end, new in sorted(splices, key=lambda splice: splice.start):
        parts += [text[at:start], new]
        at = end
    return "".join([*parts, text[at:]])


def end_of_line(text: str, at: int) -> int:
    """The end of the line of `at`, before its newline."""
    newline = text.find("\n", at)
    end = len(text) if newline < 0 else newline
    return end - 1 if text[end - 1 : end] == "\r" else end


def next_line(text: str, at: int) -> int:
    """The start of the line after that of `at`, or the end of the text."""
    newline = text.find("\n", at)
    return len(text) if newline < 0 else newline + 1


def start_with_comment(text: str, header: int) -> int:
    """The start of the comment lines right above a header, or of the header's own line.

    >>> start_with_comment("a = 1\\n# of b\\n[b]\\n", 13)
    6
    """
    start = text.rfind("\n", 0, header) + 1
    while start:
        above = text.rfind("\n", 0, start - 1) + 1
        if not text[above:start].lstrip().startswith("#"):
            break
        start = above
    return start


def end_of_table(text: str, places: dict[KeyPath, KeyPlace], table: KeyPath) -> int:
    """Where the lines of a table end and those that belong to the next header begin."""
    here = places[table].key
    later = [place.key for place in places.values() if place.header and place.key > here]
    return start_with_comment(text, min(later)) if later else len(text)


def with_block(text: str, at: int, block: str, newline: str) -> str:
    """A text with a table put in at the start of a line, a blank line on either side of it."""
    before, after = text[:at].rstrip(_BLANK), text[at:].lstrip("\r\n")
    gap = newline * 2 if before else ""
    return before + gap + block + (newline + after if after else "")


def without_block(text: str, start: int, end: int) -> str:
    """A text without the lines of a table; of the blank lines around it, those above stay."""
    after = text[end:]
    if not start or text[:start].endswith(("\n\n", "\n\r\n")):
        after = after.lstrip("\r\n")
    return text[:start] + after


def add_line(text: str, after: KeyPlace, line: str, newline: str) -> Splice:
    """A new line below the key or header `after`, indented as that key is."""
    at = end_of_line(text, after.end)
    lead = text[: after.key].rpartition("\n")[2]
    indent = lead if not after.header and not lead.strip() else ""
    return Splice(at, at, f"{newline}{indent}{line}")


def remove_lines(text: str, place: KeyPlace) -> Splice:
    """The lines of a key and its value taken out, with the comment that ends them."""
    start = place.key - len(text[: place.key].rpartition("\n")[2])
    return Splice(start, next_line(text, place.end), "")


def add_in_braces(text: str, table: KeyPlace, pair: str) -> Splice:
    """A pair put at the end of a table in braces."""
    inside = text[table.start + 1 : table.end - 1]
    at = table.start + 1 + len(inside.rstrip())
    return Splice(at, at, f", {pair}" if inside.strip() else f" {pair}")


def remove_in_braces(text: str, table: KeyPlace, pair: KeyPlace) -> Splice:
    """A pair taken out of a table in braces, and one comma with it."""
    if comma := re.compile(r"\s*,[ \t]*").match(text, pair.end):
        return Splice(pair.key, comma.end(), "")
    start = pair.key
    while start > table.start + 1 and text[start - 1] in f"{_BLANK},":
        start -= 1
    return Splice(start, pair.end, "")
