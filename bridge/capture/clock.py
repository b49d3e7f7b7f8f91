"""Times written as a clock tells them, with or without a date: text -> seconds since midnight.

    12:03:04.123456     12:03:04,5     2026-05-04 12:03:04.1     2026-05-04T12:03:04.1Z
    04.05.2026 12:03:04.1     5/4/2026 1:03:04.25 PM     3:04.25 (minutes and seconds)

Days are told apart by the clock falling back, so dates are not read; nor are zones, of which a
capture has one. As with hex text, midnight before the first row is 0.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.decimals import parse_whole

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.decimals import ByteArray, Places

DAY_S = 86400.0
FALL_S = DAY_S / 2  # s by which a clock falls back when it has passed midnight, and more

_DATE = r"(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})"
_CLOCK = re.compile(
    rf"\s*(?:{_DATE}(?:[Tt]|\s+))?"
    r"(?:(?P<hours>\d{1,2}):)?(?P<minutes>\d{1,3}):(?P<seconds>\d\d)(?:[.,](?P<parts>\d{1,12}))?"
    r"(?:\s*(?P<half>[AaPp])[Mm])?(?:\s*(?:[Zz]|[+-]\d\d:?\d\d))?\s*"
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


def read_clock(field: str) -> float | None:
    """Seconds since midnight; None when a field is no time of the day.

    >>> read_clock("2026-05-04T12:03:04.5Z"), read_clock("1:00:00 PM"), read_clock("12:00:01 am")
    (43384.5, 46800.0, 1.0)
    """
    found = _CLOCK.fullmatch(field)
    if found is None:
        return None
    hours, minutes, seconds = int(found["hours"] or 0), int(found["minutes"]), int(found["seconds"])
    if found["hours"] is None:
        if found["parts"] is None or found["half"]:
            return None  # 12:03 may be anything
    elif minutes > 59:
        return None
    if found["half"]:
        if not 1 <= hours <= 12:
            return None
        hours = hours % 12 + 12 * (found["half"] in "Pp")
    if hours > 23 or seconds > 60:
        return None
    parts = found["parts"] or "0"
    return float(hours * 3600 + minutes * 60 + seconds + int(parts) / 10.0 ** len(parts))


def parse_clocks(block: ByteArray, starts: Places, ends: Places) -> NDArray[np.float64] | None:
    """Seconds since midnight of fields that are all written as the first is; None if not.

    >>> from bridge.capture.decimals import PAD, pad_block
    >>> text = pad_block(b"12:00:01.5,23:59:59.9")
    >>> parse_clocks(text, np.array([0, 11]) + PAD, np.array([10, 21]) + PAD).tolist()
    [43201.5, 86399.9]
    """
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
    low, high = found.span("hours")[0], found.end("seconds")
    for place in range(low, high + ("parts" in numbers)):
        mark = first[place]
        if not mark.isdigit() and bool((block[starts + place] != ord(mark)).any()):
            return None
    hours, minutes, seconds = numbers["hours"], numbers["minutes"], numbers["seconds"]
    if found["half"]:
        half = block[starts + found.start("half")] | 32
        if bool(((half != ord("a")) & (half != ord("p"))).any()):
            return None
        if int(hours.max()) > 12 or int(hours.min()) < 1:
            return None
        hours = hours % 12 + 12 * (half == ord("p"))
    if int(hours.max()) > 23 or int(minutes.max()) > 59 or int(seconds.max()) > 60:
        return None
    whole = (hours * 3600 + minutes * 60 + seconds).astype(np.float64)
    if "parts" in numbers:
        low, high = found.span("parts")
        whole += numbers["parts"] / 10.0 ** (high - low)
    return whole


def pass_midnights(times_s: NDArray[np.float64], last_s: float) -> NDArray[np.float64]:
    """Add a day at each fall of half a day or more; `last_s` is the time before the first.

    >>> pass_midnights(np.array([86399.5, 0.5, 1.0]), -np.inf).tolist()
    [86399.5, 86400.5, 86401.0]
    """
    days = np.zeros(times_s.size)
    if np.isfinite(last_s):
        days[0] = np.floor(last_s / DAY_S)
        if times_s[0] + days[0] * DAY_S < last_s - FALL_S:
            days[0] += 1
    days[1:] = times_s[1:] < times_s[:-1] - FALL_S
    return times_s + np.cumsum(days) * DAY_S
