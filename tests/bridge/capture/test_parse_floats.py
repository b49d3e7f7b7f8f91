"""Numbers of a block of text against Python's own int and float."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bridge.capture.parse_floats import COMMA, PAD, pad_block, parse_decimals, parse_whole

_decimals = st.one_of(
    st.from_regex(r"[+-]?[0-9]{1,9}\.[0-9]{0,8}", fullmatch=True),
    st.from_regex(r"[+-]?[0-9]{1,9}", fullmatch=True),
    st.from_regex(r"[+-]?\.[0-9]{1,8}", fullmatch=True),
    st.from_regex(r"[+-]?[0-9]\.[0-9]{1,8}[eE][+-][0-9]{2}", fullmatch=True),
)


def _lay_out(texts: list[str]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    ends = np.cumsum([len(text) + 1 for text in texts]) - 1 + PAD
    starts = ends - [len(text) for text in texts]
    return pad_block(",".join(texts).encode()), starts, ends


@given(st.lists(st.integers(0, 10**18 - 1), min_size=1, max_size=40))
def test_whole_numbers_are_what_int_reads(values: list[int]) -> None:
    found, good = parse_whole(*_lay_out([str(value) for value in values]))
    assert good
    assert found.tolist() == values


@given(st.lists(st.integers(0, 10**8 - 1), min_size=1, max_size=20), st.integers(1, 12))
def test_numbers_of_one_width_with_zeros_in_front(values: list[int], width: int) -> None:
    texts = [str(value).zfill(width) for value in values]
    found, good = parse_whole(*_lay_out(texts))
    assert good
    assert found.tolist() == values


@given(
    st.lists(st.integers(0, 10**9), min_size=1, max_size=8),
    st.integers(0, 7),
    st.characters(exclude_characters="0123456789", min_codepoint=33, max_codepoint=126),
)
def test_anything_but_digits_is_noticed(values: list[int], at: int, other: str) -> None:
    texts = [str(value) for value in values]
    n = at % len(texts)
    texts[n] = texts[n][: at % len(texts[n])] + other + texts[n][at % len(texts[n]) + 1 :]
    assert not parse_whole(*_lay_out(texts))[1]


@given(st.lists(_decimals, min_size=1, max_size=40))
def test_decimals_are_what_float_reads(texts: list[str]) -> None:
    found = parse_decimals(*_lay_out(texts))
    assert found is not None
    expected = [float(text) for text in texts]
    # up to 15 digits a quotient of two exact doubles is the nearest double; a power on top of
    # it rounds once more
    exact = all(
        sum(c.isdigit() for c in text) <= 15 and "e" not in text.casefold() for text in texts
    )
    if exact:
        assert found.tolist() == expected
    else:
        np.testing.assert_allclose(found, expected, rtol=5e-16)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=20), st.integers(1, 6))
def test_decimal_commas(values: list[float], places: int) -> None:
    texts = [f"{value:.{places}f}" for value in values]
    block, starts, ends = _lay_out([text.replace(".", ",") for text in texts])
    found = parse_decimals(block, starts, ends, COMMA)
    assert found is not None
    assert found.tolist() == [float(text) for text in texts]


@given(
    st.lists(_decimals, max_size=5),
    st.sampled_from(["", "-", ".", "1-2", "1.2.3", "x", "1e5", "e-03", "1e-", " 1"]),
)
def test_what_is_no_plain_number_is_left_to_the_slow_way(texts: list[str], odd: str) -> None:
    assert parse_decimals(*_lay_out([*texts, odd])) is None
