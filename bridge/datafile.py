"""TOML files checked against a pydantic model, with every mistake told at once by line and key."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from bridge.errors import YardError


class Table(BaseModel):
    """A table of a data file: unknown keys, infinities and NaN are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


Model = TypeVar("Model", bound=BaseModel)

_HEADER = re.compile(r"\s*\[\[?\s*([\w.\-\"' ]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"\s*([\w\-\"']+(?:\s*\.\s*[\w\-\"']+)*)\s*=")


def line_of(text: str, path: Sequence[str | int]) -> int | None:
    """The line (from 1) on which a key path begins, or that of the nearest table that holds it.

    >>> line_of("[a]\\nb = 1\\n[[c]]\\nd = 2\\n[[c]]\\nd = 3", ["c", 1, "d"])
    6
    """
    seen: dict[str, int] = {}
    best: int | None = None
    best_depth = 0
    table: list[str | int] = []
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.match(line):
            name = header[1].replace('"', "").replace(" ", "")
            table = list(name.split("."))
            if line.lstrip().startswith("[["):
                seen[name] = seen.get(name, -1) + 1
                table.append(seen[name])
            here = table
        elif key := _KEY.match(line):
            here = table + [part.strip().strip("\"'") for part in key[1].split(".")]
        else:
            continue
        depth = len(here)
        if depth > best_depth and list(path[:depth]) == here:
            best, best_depth = number, depth
    return best


_TABLE_TAGS = ("linear", "worm")  # a tagged union puts its tag into the path; the file has none


def mistakes_of(error: ValidationError, text: str, where: str) -> list[str]:
    """One sentence for each mistake: file, line, key, what is wrong, and the value given."""
    told = []
    for item in error.errors(include_url=False):
        path = [part for part in item["loc"] if part not in _TABLE_TAGS]
        key = ".".join(str(part + 1) if isinstance(part, int) else part for part in path)
        line = line_of(text, path)
        says = item["msg"].removeprefix("Value error, ")
        if item["type"] == "extra_forbidden":
            says = "is not a key here; check its spelling or remove it"
        elif item["type"] == "missing":
            says = "is missing; add it"
        else:
            says = says[0].lower() + says[1:]
            given = item["input"]
            if not isinstance(given, Mapping | list):
                says += f", not {given!r}" if "should" in says else f" (given: {given!r})"
        told.append(f"{where}:{line or 1}: {key or 'file'}: {says}")
    return told


def read_text(path: Path) -> str:
    """The text of a data file, byte-order mark dropped. Raises YardError."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise YardError(f"{path}: no such file; check the name") from None
    except UnicodeDecodeError as error:
        raise YardError(
            f"{path}: byte {error.start} is not UTF-8; save the file as UTF-8"
        ) from None
    except OSError as error:
        raise YardError(f"{path}: cannot be read: {error.strerror}") from None


def parse_checked(text: str, where: str, model: type[Model]) -> Model:
    """`text` as the model says. Raises YardError with every mistake, one a line."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise YardError(f"{where}: not TOML: {error}") from None
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise YardError("\n".join(mistakes_of(error, text, where))) from None
