"""What is wrong with a data file, in sentences: line, key, value, what is allowed, what to do.

The sentences are made from the model that refused the data: its ranges, its choices, and the
description of each key, which says what to do.
"""

from __future__ import annotations

import difflib
import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ValidationError

from bridge.textfile.places import Path, Place, nearest_line, places_of

Schema = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Mistake:
    """Something wrong at a key path; `says` carries on after the key, `code` names its kind."""

    path: Path
    says: str
    code: str = "value"


@dataclass(frozen=True, slots=True)
class Source:
    """The text that data came from, its name, and where each key stands in it."""

    where: str
    text: str
    places: dict[Path, Place]

    @classmethod
    def of(cls, text: str, where: str) -> Source:
        return cls(where, text, places_of(text))

    def line(self, path: Sequence[str | int]) -> int:
        return nearest_line(self.places, path) or 1

    def told(self, mistake: Mistake) -> str:
        """The whole sentence: `yard.toml:3: station.latitude_deg: 123 is not ...`."""
        line = self.line(mistake.path)
        return f"{self.where}:{line}: {dotted(mistake.path) or 'file'}: {mistake.says}"

    def given(self, path: Path, value: object) -> str:
        """A value as the person wrote it."""
        place = self.places.get(path)
        written = self.text[place.start : place.end] if place else ""
        if not written or written.startswith("[") or "\n" in written:
            written = repr(value)
        return written if len(written) <= 60 else written[:57] + "..."


def dotted(path: Sequence[str | int]) -> str:
    """A key path as people count: the first entry of a list is 1.

    >>> dotted(("position", 2, "count"))
    'position.3.count'
    """
    return ".".join(str(part + 1) if isinstance(part, int) else part for part in path)


_UNITS = (
    ("_per_mm", "counts per mm"),
    ("_per_deg", "counts per deg"),
    ("_mm_s", "mm/s"),
    ("_deg_s", "deg/s"),
    ("_deg", "deg"),
    ("_mm", "mm"),
    ("_m", "m"),
    ("_ghz", "GHz"),
    ("_counts", "counts"),
    ("count", "counts"),
    ("_s", "s"),
    ("_v", "V"),
    ("_a", "A"),
    ("_db", "dB"),
    ("_dbw", "dBW"),
    ("_ohm", "ohm"),
)


def _unit(path: Path) -> str:
    key = next((part for part in reversed(path) if isinstance(part, str)), "")
    return next((f" {unit}" for suffix, unit in _UNITS if key.endswith(suffix)), "")


def allowed(schema: Schema) -> str:
    """The range that a schema allows, in words; empty where it sets none.

    >>> allowed({"minimum": -90, "maximum": 90}), allowed({"exclusiveMinimum": 0})
    ('within -90 to 90', 'over 0')
    """
    least, over = schema.get("minimum"), schema.get("exclusiveMinimum")
    most, under = schema.get("maximum"), schema.get("exclusiveMaximum")
    low = f"over {over:.10g}" if over is not None else f"{least:.10g}" if least is not None else ""
    if least is not None and most is not None:
        return f"within {low} to {most:.10g}"
    if most is not None:
        return f"{low} and up to {most:.10g}".removeprefix(" and ")
    if under is not None:
        low = low or "any number"
        return f"{low} and under {under:.10g}"
    return low if over is not None or not low else f"{low} or more"


@functools.cache
def _schema_of(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema()


def _alternatives(node: Schema, root: Schema) -> tuple[Schema, Mapping[str, str]]:
    """A node with references followed and `null` dropped, and its tagged choices."""
    while True:
        if "$ref" in node:
            kept = {key: value for key, value in node.items() if key != "$ref"}
            node = {**root["$defs"][node["$ref"].rsplit("/", 1)[-1]], **kept}
        elif "anyOf" in node:
            others = [option for option in node["anyOf"] if option.get("type") != "null"]
            kept = {key: value for key, value in node.items() if key != "anyOf"}
            node = {**others[0], **kept}
        else:
            return node, node.get("discriminator", {}).get("mapping", {})


def _follow(model: type[BaseModel], loc: Sequence[str | int]) -> tuple[Path, Schema, Schema]:
    """Key path of an error's place (tags of a tagged table left out), its schema, its table's."""
    root = _schema_of(model)
    path: list[str | int] = []
    parent: Schema = {}
    node, tags = _alternatives(root, root)
    for part in loc:
        if part in tags:
            node, tags = _alternatives({"$ref": tags[str(part)]}, root)
            continue
        path.append(part)
        parent = node
        if isinstance(part, int):
            ahead = node.get("prefixItems", ())
            step = ahead[part] if part < len(ahead) else node.get("items", {})
        else:
            step = node.get("properties", {}).get(part, {})
        node, tags = _alternatives(step if isinstance(step, dict) else {}, root)
    return tuple(path), node, parent


_NUMBERS = ("float_type", "float_parsing", "int_type", "int_parsing", "int_from_float")


def _sentence(kind: str, given: str, value: object, schema: Schema, unit: str) -> str | None:
    """What is wrong with a value, for the kinds of error that a data file brings forth."""
    advice = schema.get("description", "")
    bounds = allowed(schema)
    must = f"{bounds}{unit}" if bounds else ""
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        return f"{given} is not {must}; {advice or 'correct it'}"
    if kind == "finite_number":
        return f"{given} is not a finite number; write one{f' {must}' if must else ''}"
    if kind in _NUMBERS:
        whole = "a whole number" if kind.startswith("int") else "a number"
        quotes = " without quotes" if isinstance(value, str) else ""
        wanted = f" {must}" if must else ""
        return f"{given} is not {whole}; write {whole}{wanted}{quotes}"
    if kind == "string_type":
        return f"{given} is not text; put it between quotes"
    if kind == "bool_type":
        return f"{given} is neither true nor false; write one of them"
    if kind == "literal_error":
        return f"{given} is not one of {', '.join(map(str, schema.get('enum', ())))}; choose one"
    if kind.startswith("date"):
        return f"{given} is not a date; write it as 2026-05-04, without quotes"
    return None


def _shape(item: Mapping[str, Any], schema: Schema, key: str) -> str | None:
    """What is wrong with the shape of a table or list."""
    kind, value = item["type"], item["input"]
    if kind in ("too_short", "too_long"):
        wanted = item["ctx"].get("min_length", item["ctx"].get("max_length"))
        return f"holds {item['ctx']['actual_length']} values; write {wanted}"
    if kind in ("tuple_type", "list_type"):
        if isinstance(value, Mapping):
            return f"is one table; write [[{key}]], once for each"
        return f"{value!r} is not a list; write [ ... ]"
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        if isinstance(value, Sequence) and not isinstance(value, str):
            return f"is a list; write [{key}] once"
        return f"{value!r} is not a table; write [{key}] with its keys below"
    return None


def _mistake(item: Mapping[str, Any], source: Source, model: type[BaseModel]) -> Mistake:
    kind: str = item["type"]
    path, schema, parent = _follow(model, item["loc"])
    key = next((part for part in reversed(path) if isinstance(part, str)), "")
    advice = schema.get("description", "")
    if kind == "missing" and path and isinstance(path[-1], int):
        return Mistake(path[:-1], f"holds too few values; write {parent.get('minItems')}", "shape")
    if kind == "missing":
        says = f"is missing; add it{f': {advice}' if advice else ''}"
        if "properties" in schema:
            says = f"is missing; add [{key}] with {', '.join(schema.get('required', ()))}"
        return Mistake(path, says, "missing")
    if kind == "extra_forbidden":
        known = list(parent.get("properties", {}))
        near = difflib.get_close_matches(key, known, 1, 0.75)
        hint = f"write {near[0]}" if near else f"known here are {', '.join(known)}"
        return Mistake(path, f"is not a key here; {hint}, or remove it", "unknown key")
    if kind == "union_tag_not_found":
        tags = " or ".join(f'"{tag}"' for tag in schema["discriminator"]["mapping"])
        return Mistake((*path, "kind"), f"is missing; write kind = {tags}", "missing")
    if kind == "union_tag_invalid":
        tags = " or ".join(f'"{tag}"' for tag in schema["discriminator"]["mapping"])
        return Mistake((*path, "kind"), f'"{item["ctx"]["tag"]}" is not a kind; write {tags}')
    says = item["msg"].removeprefix("Value error, ")
    if kind == "value_error":
        return Mistake(path, says)
    if shape := _shape(item, schema, key):
        return Mistake(path, shape, "shape")
    given = source.given(path, item["input"])
    sentence = _sentence(kind, given, item["input"], schema, _unit(path))
    return Mistake(path, sentence or f"{given}: {says[0].lower()}{says[1:]}; correct it")


def mistakes_in(error: ValidationError, source: Source, model: type[BaseModel]) -> list[Mistake]:
    """The mistakes that pydantic found, each in a sentence of ours."""
    items = error.errors(include_url=False)
    return [_mistake(item, source, model) for item in items]
