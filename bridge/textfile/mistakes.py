"""What is wrong in a data file, and the line at which a person finds it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.textfile.places import KeyPath, KeyPlace, nearest_line, places_of

SHOWN_LETTERS = 60  # letters of a value repeated in a message (judgement)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong at a line of a file (from 1); `key` is empty where no key can be named."""

    line: int
    key: str
    message: str

    def __str__(self) -> str:
        """The sentence without the name of the file: `3: station.latitude_deg: 123 is not ...`."""
        return f"{self.line}: {f'{self.key}: ' if self.key else ''}{self.message}"


@dataclass(frozen=True, slots=True)
class Mistake:
    """A wrong value at a key path; `message` carries on after the key, `code` names its kind."""

    path: KeyPath
    message: str
    code: str = "value"


@dataclass(frozen=True, slots=True)
class TomlText:
    """A TOML text, the name of its file, and where each key stands in it."""

    name: str
    text: str
    places: dict[KeyPath, KeyPlace]

    @classmethod
    def of(cls, text: str, name: str) -> TomlText:
        """The text with its keys found. The text has to be valid TOML."""
        return cls(name, text, places_of(text))

    def line(self, path: Sequence[str | int]) -> int:
        """The line of a key, or of the nearest table around it; 1 where there is none."""
        return nearest_line(self.places, path) or 1

    def problem(self, mistake: Mistake) -> Problem:
        """The mistake with its line and its key as people write it."""
        return Problem(self.line(mistake.path), dotted(mistake.path) or "file", mistake.message)

    def as_written(self, path: KeyPath, value: object) -> str:
        """A value as the person wrote it, on one line and cut where it is long."""
        place = self.places.get(path)
        written = self.text[place.start : place.end] if place else ""
        if not written or written.startswith("[") or "\n" in written:
            written = repr(value)
        return written if len(written) <= SHOWN_LETTERS else f"{written[: SHOWN_LETTERS - 3]}..."


def dotted(path: Sequence[str | int]) -> str:
    """A key path as people count: the first entry of a list is 1.

    >>> dotted(("position", 2, "count"))
    'position.3.count'
    """
    return ".".join(str(part + 1) if isinstance(part, int) else part for part in path)
