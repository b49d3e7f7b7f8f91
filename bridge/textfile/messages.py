"""What a model refuses, in sentences: the value, what is allowed, what to do.

A sentence is made from the model that refused the data: its ranges, its choices, and the
description of each key, which says what to do.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

from bridge.textfile.mistakes import Mistake, TomlText
from bridge.textfile.places import KeyPath
from bridge.textfile.schema import Schema, allowed_range, follow, unit_of

LIKENESS = 0.75  # share of letters alike from which a key is taken for a misspelt one (judgement)
_OUT_OF_RANGE = ("greater_than", "greater_than_equal", "less_than", "less_than_equal")
_NOT_A_NUMBER = ("float_type", "float_parsing", "int_type", "int_parsing", "int_from_float")


def mistakes_in(error: ValidationError, text: TomlText, model: type[BaseModel]) -> list[Mistake]:
    """The mistakes that pydantic found, each in a sentence of ours."""
    return [_mistake(item, text, model) for item in error.errors(include_url=False)]


def _mistake(item: Mapping[str, Any], text: TomlText, model: type[BaseModel]) -> Mistake:
    kind: str = item["type"]
    path, schema, table = follow(model, item["loc"])
    key = next((part for part in reversed(path) if isinstance(part, str)), "")
    if kind == "missing":
        return _missing(path, key, schema, table)
    if kind == "extra_forbidden":
        return Mistake(
            path, f"is not a key here; {_nearest(key, table)}, or remove it", "unknown key"
        )
    if kind == "union_tag_not_found":
        return Mistake((*path, "kind"), f"is missing; write kind = {_tags(schema)}", "missing")
    if kind == "union_tag_invalid":
        tag = item["ctx"]["tag"]
        return Mistake((*path, "kind"), f'"{tag}" is not a kind; write {_tags(schema)}')
    if kind == "value_error":
        return Mistake(path, str(item["ctx"]["error"]))
    if shape := _wrong_shape(item, key):
        return Mistake(path, shape, "shape")
    written = text.as_written(path, item["input"])
    sentence = _wrong_value(kind, written, item["input"], schema, unit_of(path))
    reason: str = item["msg"]
    return Mistake(path, sentence or f"{written}: {reason[0].lower()}{reason[1:]}; correct it")


def _missing(path: KeyPath, key: str, schema: Schema, table: Schema) -> Mistake:
    if path and isinstance(path[-1], int):
        return Mistake(path[:-1], f"holds too few values; write {table.get('minItems')}", "shape")
    if "properties" in schema:
        keys = ", ".join(schema.get("required", ()))
        return Mistake(path, f"is missing; add [{key}] with {keys}", "missing")
    advice = schema.get("description", "")
    return Mistake(path, f"is missing; add it{f': {advice}' if advice else ''}", "missing")


def _nearest(key: str, table: Schema) -> str:
    known = list(table.get("properties", {}))
    near = difflib.get_close_matches(key, known, 1, LIKENESS)
    return f"write {near[0]}" if near else f"known here are {', '.join(known)}"


def _tags(schema: Schema) -> str:
    return " or ".join(f'"{tag}"' for tag in schema["discriminator"]["mapping"])


def _wrong_value(kind: str, written: str, value: object, schema: Schema, unit: str) -> str | None:
    """What is wrong with a value; None for a kind of error that a data file never brings."""
    bounds = allowed_range(schema)
    allowed = f"{bounds} {unit}".rstrip() if bounds else ""
    wanted = f" {allowed}" if allowed else ""
    if kind in _OUT_OF_RANGE:
        return f"{written} is not {allowed}; {schema.get('description') or 'correct it'}"
    if kind == "finite_number":
        return f"{written} is not a finite number; write one{wanted}"
    if kind in _NOT_A_NUMBER:
        number = "a whole number" if kind.startswith("int") else "a number"
        quotes = " without quotes" if isinstance(value, str) else ""
        return f"{written} is not {number}; write {number}{wanted}{quotes}"
    if kind == "string_type":
        return f"{written} is not text; put it between quotes"
    if kind == "bool_type":
        return f"{written} is neither true nor false; write one of them"
    if kind == "literal_error":
        return f"{written} is not one of {', '.join(map(str, schema.get('enum', ())))}; choose one"
    if kind.startswith("date"):
        return f"{written} is not a date; write it as 2026-05-04, without quotes"
    return None


def _wrong_shape(item: Mapping[str, Any], key: str) -> str | None:
    """What is wrong with the shape of a table or list; None where its shape is right."""
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
