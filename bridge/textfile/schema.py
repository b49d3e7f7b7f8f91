"""What a pydantic model allows at a place: read from its JSON schema, and put in words."""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel

from bridge.textfile.places import KeyPath

Schema = Mapping[str, Any]

# How a key's name ends -> the unit of its value; the longer of two endings first.
_UNITS = (
    ("_per_mm", "counts per mm"),
    ("_per_deg", "counts per deg"),
    ("_mm_s", "mm/s"),
    ("_deg_s", "deg/s"),
    ("_deg", "deg"),
    ("_mm", "mm"),
    ("_m", "m"),
    ("_ghz", "GHz"),
    ("count", "counts"),
    ("_counts", "counts"),
    ("_s", "s"),
    ("_v", "V"),
    ("_a", "A"),
    ("_db", "dB"),
    ("_dbw", "dBW"),
    ("_ohm", "ohm"),
)


def unit_of(path: KeyPath) -> str:
    """The unit in the name of the last key of a path; empty where it names none.

    >>> unit_of(("dish", "frequency_ghz")), unit_of(("obstacle", "azimuth_deg", 1))
    ('GHz', 'deg')
    """
    key = next((part for part in reversed(path) if isinstance(part, str)), "")
    return next((unit for suffix, unit in _UNITS if key.endswith(suffix)), "")


def allowed_range(schema: Schema) -> str:
    """The range that a schema allows, in words; empty where it sets none.

    >>> allowed_range({"minimum": -90, "maximum": 90}), allowed_range({"exclusiveMinimum": 0})
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


def follow(model: type[BaseModel], loc: Sequence[str | int]) -> tuple[KeyPath, Schema, Schema]:
    """The key path of an error's `loc`, the schema of the value there, and that of its table.

    Pydantic puts the tag of a tagged table into `loc`; no key stands for it in the file.
    """
    root = _schema_of(model)
    path: list[str | int] = []
    parent: Schema = {}
    node, tags = _resolved(root, root)
    for part in loc:
        if part in tags:
            node, tags = _resolved({"$ref": tags[str(part)]}, root)
            continue
        path.append(part)
        parent = node
        if isinstance(part, int):
            first = node.get("prefixItems", ())
            step = first[part] if part < len(first) else node.get("items", {})
        else:
            step = node.get("properties", {}).get(part, {})
        node, tags = _resolved(step if isinstance(step, dict) else {}, root)
    return tuple(path), node, parent


@functools.cache
def _schema_of(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema()


def _resolved(node: Schema, root: Schema) -> tuple[Schema, Mapping[str, str]]:
    """A node with references followed and `null` dropped, and the tables behind its tags."""
    while True:
        if "$ref" in node:
            beside = {key: value for key, value in node.items() if key != "$ref"}
            node = {**root["$defs"][node["$ref"].rsplit("/", 1)[-1]], **beside}
        elif "anyOf" in node:
            others = [option for option in node["anyOf"] if option.get("type") != "null"]
            beside = {key: value for key, value in node.items() if key != "anyOf"}
            node = {**others[0], **beside}
        else:
            return node, node.get("discriminator", {}).get("mapping", {})
