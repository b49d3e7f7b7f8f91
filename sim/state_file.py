"""What a simulated positioner keeps without power, and the adapter's boot number, as a file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final, Literal

from bridge.errors import YardError
from bridge.textfile.save import replace_file

FORMAT: Final = 1


@dataclass(frozen=True, slots=True)
class _Content:
    """The file's JSON object; `positioner` is checked by the dish that takes it up."""

    format: Literal[1]
    yard: str
    boot: int
    positioner: dict[str, Any]


class StateFile:
    """A state file of one yard; written whole or not at all, and only when something changed."""

    def __init__(self, path: Path, yard: str) -> None:
        self._path = path
        self._yard = yard
        self._written = ""

    def load(self) -> tuple[Mapping[str, object] | None, int]:
        """What the positioner kept (None at the first start) and the last boot number.

        Raises YardError for a file that cannot be read, holds something else, or is another
        yard's.
        """
        from pydantic import TypeAdapter, ValidationError  # noqa: PLC0415  # slow to import

        try:
            text = self._path.read_bytes()
        except FileNotFoundError:
            return None, 0
        except OSError as error:
            raise YardError(
                f"{self._path}: the state file cannot be read: {error.strerror}; name another"
            ) from None
        try:
            content = TypeAdapter(_Content).validate_json(text, strict=True)
        except ValidationError:
            raise YardError(
                f"{self._path}: this is no state file of format {FORMAT}; "
                "name another, or move it away to start from new"
            ) from None
        if content.yard != self._yard:
            raise YardError(
                f"{self._path}: the state of yard {content.yard!r}, not of {self._yard!r}; "
                "name another"
            )
        return content.positioner, content.boot

    def save(self, positioner: Mapping[str, object], boot: int) -> None:
        """Replace the file if anything changed; YardError when it cannot be written."""
        content = _Content(FORMAT, self._yard, boot, dict(positioner))
        text = json.dumps(asdict(content), indent=1) + "\n"
        if text == self._written:
            return
        path = self._path.resolve()  # through links, to the file itself
        try:
            replace_file(path, text.encode(), like=path)
        except OSError as error:
            raise YardError(
                f"{self._path}: the state file cannot be written: {error.strerror}; name another"
            ) from None
        self._written = text
