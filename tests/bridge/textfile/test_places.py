"""Where keys stand in a text, held against two readers of TOML that know no lines."""

from __future__ import annotations

import tomllib
from typing import Any

import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from bridge.textfile.places import line_of, places_of

CROOKED = '''# a file that people wrote
title = "one # not a comment"
"quoted key".inner = 1
[a.b]   # header
list = [ 1, # first
  2,
  { x = 3, y = [4, "]"] },
]
text = """
[not a header]
key = 5
"""
when = 2026-05-04 10:00:00  # late
[[c]]
d = 'C:\\'
[[c]]
[c.sub]
e = true
'''


def test_lines_of_a_crooked_file() -> None:
    tomllib.loads(CROOKED)
    lines = {path: place.line for path, place in places_of(CROOKED).items()}
    assert lines["title",] == 2
    assert lines["quoted key", "inner"] == 3
    assert lines["a", "b", "list", 2, "y", 1] == 7
    assert lines["a", "b", "text"] == 9
    assert lines["a", "b", "when"] == 13
    assert lines["c", 0, "d"] == 15
    assert lines["c", 1, "sub", "e"] == 18
    assert ("key",) not in lines


def test_nearest_table_stands_in_for_a_key_that_is_not_there() -> None:
    assert line_of(CROOKED, ["c", 1, "nothing"]) == 16
    assert line_of(CROOKED, ["nothing"]) is None


def leaves(value: Any, path: tuple[str | int, ...] = ()) -> dict[tuple[str | int, ...], Any]:
    if isinstance(value, dict) and value:
        return {k: v for key, item in value.items() for k, v in leaves(item, (*path, key)).items()}
    if isinstance(value, list) and value:
        rows = enumerate(value)
        return {k: v for i, item in rows for k, v in leaves(item, (*path, i)).items()}
    return {path: value}


scalars = st.one_of(
    st.integers(-(10**6), 10**6),
    st.floats(allow_nan=False, allow_infinity=False),
    st.booleans(),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
    st.dates(),
)
names = st.text("abcdefg-_ .#'\"=[]é", min_size=1, max_size=5)
tables = st.dictionaries(
    names,
    st.recursive(
        scalars,
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=3),
        max_leaves=8,
    ),
    max_size=4,
)


@given(tables)
def test_every_value_stands_where_it_is_said_to(data: dict[str, Any]) -> None:
    """tomlkit writes, tomllib reads back what is at each place."""
    text = tomlkit.dumps(data)
    places = places_of(text)
    for path, value in leaves(tomllib.loads(text)).items():
        if path == () or value in ({}, []):
            continue
        place = places[path]
        assert tomllib.loads(f"it = {text[place.start : place.end]}") == {"it": value}
        assert place.line <= text.count("\n", 0, place.start) + 1
