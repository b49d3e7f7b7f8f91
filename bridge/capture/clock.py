"""Clock times, with or without a date: text -> seconds since the midnight before the first row.

    12:03:04.123456     12:03:04,5     2026-05-04 12:03:04.1     2026-05-04T12:03:04.1Z
    04.05.2026 12:03:04.1     5/4/2026 1:03:04.25 PM     3:04.25 (minutes and seconds)

A clock that falls back has passed midnight, so dates are not read. Nor are zones: a capture has
one. Tables and hex text share these rules.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from bridge.capture.parse_floats import ByteArray, Indices

DAY_S = 86400.0  # s of a day
FALL_S = DAY_S / 2  # s; a clock that falls back by more has passed midnight (judgement)
HOURS_MOST = 23  # h of a clock; of a time since the start of a recording they may be more

_DATE = r"(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})"
_CLOCK = re.compile(
    rf"\s*(?:{_DATE}(?:[Tt]|\s+))?"
    r"(?:(?P<hours>\d{1,3}):)?(?P<minutes>\d{1,3}):(?P<seconds>\d\d)(?:[.,](?P<parts>\d{1,18}))?"
    r"(?:\s*(?P<meridiem>[AaPp])[Mm])?(?:\s*(?:[Zz]|[+-]\d\d:?\d\d))?\s*"
)
_DATE_ALONE = re.compile(_DATE)


def is_clock(field: str) -> bool:
    """Tell whether a field is a time of the day.

    >>> [is_clock(text) for text in ("12:03:04.1", "3:04.25", "12:03", "24:61:00", "4.5")]
    [True, True, False, False, False]
    """
    return read_clock(field) is not None


def is_date(field: str) -> bool:
    """Tell whether a field is a date alone."""
    return _DATE_ALONE.fullmatch(field) is not None


def read_clock(field: str, hours_most: int = HOURS_MOST) -> float | None:
    """Seconds since midnight; None when a field is no time of the day.

    >>> read_clock("2026-05-04T12:03:04.5Z"), read_clock("1:00:00 PM"), read_clock("12:00:01 am")
    (43384.5, 46800.0, 1.0)
    """
    found = _CLOCK.fullmatch(field)
    if found is None:
        return None
    hours, minutes, seconds = int(found["hours"] or 0), int(found["minutes"]), int(found["seconds"])
    if found["hours"] is None:
        if found["parts"] is None or found["meridiem"]:
            return None  # 12:03 may be anything
    elif minutes > 59:
        return None
    if found["meridiem"]:
        if not 1 <= hours <= 12:
            return None
        hours = hours % 12 + 12 * (found["meridiem"] in "Pp")
    if hours > hours_most or seconds > 60:  # 60 is a leap second
        return None
    parts = found["parts"] or "0"
    return float(hours * 3600 + minutes * 60 + seconds + int(parts) / 10.0 ** len(parts))


def parse_clocks(block: ByteArray, starts: Indices, ends: Indices) -> NDArray[np.float64] | None:
    """Seconds since midnight of fields that are all written as the first is; None if not.

    >>> import numpy as np
    >>> from bridge.capture.parse_floats import PAD, pad_block
    >>> text = pad_block(b"12:00:01.5,23:59:59.9")
    >>> parse_clocks(text, np.array([0, 11]) + PAD, np.array([10, 21]) + PAD).tolist()
    [43201.5, 86399.9]
    """
    from bridge.capture.parse_floats import parse_whole  # noqa: PLC0415  (hex text needs no numpy)

    first = block[starts[0] : ends[0]].tobytes().decode("latin-1")
    found = _CLOCK.fullmatch(first)
    if found is None or found["hours"] is None or bool((ends - starts != len(first)).any()):
        return None
    numbers = {}
    for name in ("hours", "minutes", "seconds", "parts"):
        low, high = found.span(name)
        if low < 0:
            continue
        numbers[name], good = parse_whole(block, starts + low, starts + high)
        if not good:
            return None
    spans = [found.span(name) for name in numbers]
    for place, mark in enumerate(first):
        if place == found.start("meridiem") or any(low <= place < high for low, high in spans):
            continue
        letters = block[starts + place]
        alike = (letters >= 48) & (letters < 58) if mark.isdigit() else letters == letters[0]
        if not bool(alike.all()):
            return None
    hours, minutes, seconds = numbers["hours"], numbers["minutes"], numbers["seconds"]
    if found["meridiem"]:
        is_pm = (block[starts + found.start("meridiem")] | 32) == ord("p")
        is_am = (block[starts + found.start("meridiem")] | 32) == ord("a")
        if not bool((is_am | is_pm).all()):
            return None
        if int(hours.max()) > 12 or int(hours.min()) < 1:
            return None
        hours = hours % 12 + 12 * is_pm
    if int(hours.max()) > HOURS_MOST or int(minutes.max()) > 59 or int(seconds.max()) > 60:
        return None
    times_s: NDArray[np.float64] = (hours * 3600 + minutes * 60 + seconds).astype("f8")
    if "parts" in numbers:
        low, high = found.span("parts")
        times_s += numbers["parts"] / 10.0 ** (high - low)
    return times_s


class Midnights:
    """Clock times one after another -> times that go on growing after midnight."""

    def __init__(self) -> None:
        self._day_s = 0.0  # s of the whole days so far
        self._last_s = -math.inf  # the last time given

    def pass_over(self, time_s: float) -> float:
        """Add a day at each fall of more than half a day.

        >>> midnights = Midnights()
        >>> [midnights.pass_over(time_s) for time_s in (86399.5, 0.5, 1.0)]
        [86399.5, 86400.5, 86401.0]
        """
        if time_s + self._day_s < self._last_s - FALL_S:
            self._day_s += DAY_S
        self._last_s = time_s + self._day_s
        return self._last_s

    def pass_over_all(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pass over one time or more at once, shape (n,), in s."""
        self.pass_over(float(times_s[0]))
        passed = times_s + self._day_s
        days = (times_s[1:] < times_s[:-1] - FALL_S).cumsum()
        if days.size and days[-1]:
            passed[1:] += days * DAY_S
            self._day_s += float(days[-1]) * DAY_S
        self._last_s = float(passed[-1])
        return passed
