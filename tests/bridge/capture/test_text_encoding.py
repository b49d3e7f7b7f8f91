"""Text in UTF-16, with lone carriage returns, or both; bytes against Python's own codecs."""

from __future__ import annotations

import codecs
import gzip
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.capture.text_encoding import find_conversions
from bridge.capture.trace import Capture, Lines

ReadAll = Callable[[Capture], list[tuple[Any, ...]]]
TEXTS = ["a.csv", "b.csv", "c.tsv", "d.csv", "a.txt", "b.hex", "a.vcd"]
SPELLINGS: dict[str, Callable[[str], bytes]] = {
    "little": lambda text: codecs.BOM_UTF16_LE + text.encode("utf-16-le"),
    "big": lambda text: codecs.BOM_UTF16_BE + text.encode("utf-16-be"),
    "returns": lambda text: text.replace("\n", "\r").encode(),
    "both": lambda text: codecs.BOM_UTF16_LE + text.replace("\n", "\r").encode("utf-16-le"),
    "windows": lambda text: codecs.BOM_UTF16_LE + text.replace("\n", "\r\n").encode("utf-16-le"),
    "marked": lambda text: text.encode("utf-8-sig"),
}


@given(st.text(max_size=200), st.integers(1, 50), st.booleans())
def test_any_text_in_any_pieces(text: str, size: int, returns: bool) -> None:
    text = text.replace("\r", " ")
    text = text.replace("\n", "\r") if returns else text + "\n"
    data = text.encode("utf-16", "replace")
    make = find_conversions(data)
    assert make is not None
    conversions = make()
    got = b""
    for start in range(0, len(data) + 1, size):
        part = data[start : start + size]
        for convert in conversions:
            part = convert(part, start + size > len(data))
        got += part
    assert got == data.decode("utf-16").replace("\r", "\n" if returns else "\r").encode()


@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.parametrize("spelling", SPELLINGS)
@pytest.mark.parametrize("packed", [False, True])
def test_every_kind_of_text_reads_the_same(  # noqa: PLR0917
    files: dict[str, bytes],
    load: Callable[..., Capture],
    read_all: ReadAll,
    name: str,
    spelling: str,
    packed: bool,
) -> None:
    data = SPELLINGS[spelling](files[name].decode())
    kind = name.rpartition(".")[2]
    other = load(f"{name}.gz" if packed else name, gzip.compress(data) if packed else data)
    plain = load(f"plain.{kind}", files[name])
    for one, two in zip(other.traces, plain.traces, strict=True):
        if isinstance(one, Lines) and isinstance(two, Lines):
            assert [line[:2] for line in one.chunks()] == [line[:2] for line in two.chunks()]
            places = [line[2].rpartition(":")[2] for line in one.chunks()]
            assert places == [line[2].rpartition(":")[2] for line in two.chunks()]
    if not isinstance(plain.traces[0], Lines):
        shown = [row[:3] + row[4:] for row in read_all(other)]
        assert shown == [row[:3] + row[4:] for row in read_all(plain)]
