"""Which decimal mark a table uses, seen from whole tables."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from bridge.capture.table.decimal_comma import find_grouped, is_split_decimal
from bridge.capture.trace import Capture, Samples

Load = Callable[..., Capture]
VOLTS = [17.981, 18.002, -0.5, 0.25, 18.25, 17.5] * 10


def read(capture: Capture) -> list[list[float]]:
    found = []
    for trace in capture.traces:
        assert isinstance(trace, Samples)
        found.append(np.concatenate(list(trace.chunks())).tolist())
    return found


@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("separator", [";", "\t", None])
def test_the_mark_that_reads_more_cells_wins(
    load: Load, decimal: str, separator: str | None
) -> None:
    numbers = [f"{volts:.3f}".replace(".", decimal) for volts in VOLTS]
    text = "".join(f"{n}{separator}{n}\n" if separator else f"{n}\n" for n in numbers)
    columns = read(load("x.csv", text, rate_hz=1e5))
    assert columns == [pytest.approx(VOLTS)] * (2 if separator else 1)


@pytest.mark.parametrize(
    ("pairs", "is_split"),
    [
        ([("17", "98"), ("18", "02"), ("-0", "50")], True),  # no column of numbers has 02 or -0
        ([("17", "981"), ("18", "123"), ("17", "500")], True),  # at rest, all as long
        ([("17", "981"), ("18", "12"), ("17", "500")], False),  # not as long
        ([("1", "11"), ("2", "12"), ("3", "13"), ("4", "14")], False),  # wholes of many kinds
        ([("1", "11"), ("2", "12"), ("3", "13"), ("3", "14")], True),
        ([("0", "11"), ("1", "12")], False),  # a logic line beside codes
        ([("1", "5"), ("1", "6")], False),  # one digit may be a code
        ([("17", "98"), ("18", "02"), ("19", "5"), ("20", "7")], True),  # 02 alone shows it
        ([("1", "0"), ("7", "5"), ("3", "7"), ("9", "2")], False),  # 0 alone is a number
        ([("17.5", "98"), ("18", "02")], False),
        ([("17", "98", "3")], False),
    ],
)
def test_two_columns_or_one_number(pairs: list[tuple[str, ...]], is_split: bool) -> None:
    assert is_split_decimal(pairs) == is_split


def test_thousands_are_found_with_their_line() -> None:
    assert find_grouped(["a;b", "1,5;1.234,5", "2;3"]) == (2, "1.234,5")
    assert find_grouped(['"12","1,234.5"']) == (1, "1,234.5")
    assert find_grouped(["1,234", "12;34", "1.5\t2.5"]) is None
