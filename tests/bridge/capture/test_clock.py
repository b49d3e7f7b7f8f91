"""Tables whose times are clock times; the seconds against Python's datetime."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.event import FrameHeard
from bridge.capture.clock import Midnights, parse_clocks, read_clock
from bridge.capture.parse_floats import PAD, pad_block
from bridge.capture.trace import Capture, Edges, Samples
from bridge.decode.capture_events import read_traffic
from bridge.errors import CaptureError
from bridge.signal.waveform import Sending, samples_of

Load = Callable[..., Capture]
VOLTS = np.round(13 + 0.3 * np.sin(np.arange(300)), 5)
NOON = datetime(2026, 5, 4, 12, 3, 4, 123400)  # noqa: DTZ001 - a clock has no zone
NOON_S = 43384.1234
FORMS: dict[str, Callable[[datetime], str]] = {
    "clock": lambda t: f"{t:%H:%M:%S.%f}",
    "date": lambda t: f"{t:%Y-%m-%d %H:%M:%S.%f}",
    "iso": lambda t: f"{t:%Y-%m-%dT%H:%M:%S.%f}",
    "zulu": lambda t: f"{t:%Y-%m-%dT%H:%M:%S.%f}Z",
    "zone": lambda t: f"{t:%Y-%m-%dT%H:%M:%S.%f}+02:00",
    "slashes": lambda t: f"{t:%d/%m/%Y %H:%M:%S.%f}",
    "dots": lambda t: f"{t:%d.%m.%Y %H:%M:%S.%f}",
    "half": lambda t: f"{t:%m/%d/%Y %I:%M:%S.%f %p}",
    "short": lambda t: f"{t.hour}:{t:%M:%S.%f}",
    "nanoseconds": lambda t: f"{t:%H:%M:%S.%f}000",
}


@given(st.sampled_from(sorted(FORMS)), st.datetimes(min_value=datetime(2000, 1, 1)))  # noqa: DTZ001
def test_every_form_is_what_datetime_says(form: str, moment: datetime) -> None:
    midnight = moment.replace(hour=0, minute=0, second=0, microsecond=0)
    wanted_s = (moment - midnight).total_seconds()
    text = FORMS[form](moment)
    assert read_clock(text) == pytest.approx(wanted_s, abs=1e-9)
    data = f"{text},{text}".encode()
    starts = np.array([0, len(text) + 1]) + PAD
    values = parse_clocks(pad_block(data), starts, starts + len(text))
    assert values is not None
    assert values.tolist() == pytest.approx([wanted_s] * 2, abs=1e-9)


@given(st.text("0123456789:.,TZ -/+APMx", max_size=30))
def test_any_text_is_a_time_of_the_day_or_none(text: str) -> None:
    seconds = read_clock(text)
    assert seconds is None or 0 <= seconds <= 86401
    if text:
        starts = np.array([PAD])
        fast = parse_clocks(pad_block(text.encode()), starts, starts + len(text.encode()))
        assert fast is None or fast[0] == pytest.approx(seconds, abs=1e-9)


@given(st.lists(st.floats(0.001, 40_000), min_size=1, max_size=20), st.integers(1, 19))
def test_midnights_in_any_chunks(steps: list[float], size: int) -> None:
    truth = np.cumsum(steps)
    daily = truth % 86400.0
    midnights = Midnights()
    got: list[float] = []
    for start in range(0, len(daily), size):
        got += midnights.pass_over_all(daily[start : start + size]).tolist()
    assert np.array(got) - got[0] == pytest.approx(truth - truth[0], abs=1e-6)


@pytest.mark.parametrize("size", [1, 2, 5])
def test_a_leap_second_and_a_fall_of_half_a_day(size: int) -> None:
    """23:59:60 lies before midnight; a clock set back by 12 h or less stays on its day."""
    daily = np.array([86399.0, 86400.5, 0.5, 50_000.0, 6_800.0, 86_000.0, 42_799.0])
    midnights = Midnights()
    passed = np.concatenate(
        [midnights.pass_over_all(daily[n : n + size]) for n in range(0, daily.size, size)]
    )
    assert (passed - daily).tolist() == [0, 0, *[86400] * 4, 2 * 86400]


@pytest.mark.parametrize(
    "text",
    [
        "24:00:00", "12:60:00", "12:00:61", "13:00:00 PM", "0:30:00 AM", "12:03", "3:04",
        "3:04.5 PM", "2026-05-04", "12:00:00.5 XM",
    ],
)  # fmt: skip
def test_what_is_no_time_of_the_day(text: str) -> None:
    assert read_clock(text) is None
    data = f"12:00:00.5 AM,{text}".encode()
    starts = np.array([0, 14]) + PAD
    assert parse_clocks(pad_block(data), starts, np.array([13, len(data)]) + PAD) is None


@pytest.mark.parametrize(
    ("first", "other"),
    [
        ("2026-05-04 12:00:00", "2026-05-x4 12:00:00"),
        ("2026-05-04 12:00:00", "2026-05+04 12:00:00"),
        ("12:00:00.50", "12:00:00,50"),
        ("12:00:00.50", "12:00:00.5x"),
        ("12:00:00Z", "12:00:00X"),
        ("1:00:00 PM", "1:00:00 XM"),
        ("1:00:00 PM", "1:00:00 PX"),
        ("12:00:00", "24:00:00"),
        ("12:00:00", "12:60:00"),
        ("12:00:00", "12:00:61"),
        ("12:00:00 PM", "13:00:00 PM"),
        ("12:00:00 PM", "00:00:00 PM"),
    ],
)
def test_fields_that_are_not_alike_are_read_one_by_one(first: str, other: str) -> None:
    starts = np.array([0, len(first) + 1]) + PAD
    block = pad_block(f"{first},{other}".encode())
    assert parse_clocks(block, starts, starts + len(first)) is None


def _drain(capture: Capture) -> None:
    for trace in capture.traces:
        assert isinstance(trace, Samples)
        list(trace.chunks())


@pytest.mark.parametrize("form", sorted(FORMS))
@pytest.mark.parametrize("block", [700, 1 << 20])
@pytest.mark.parametrize(("separator", "decimal"), [(",", "."), (";", ","), ("\t", ".")])
def test_a_table_with_such_times(
    load: Load, form: str, block: int, separator: str, decimal: str
) -> None:
    rows = []
    for n, volts in enumerate(VOLTS.tolist()):
        text = FORMS[form](NOON + timedelta(microseconds=10 * n))
        rows.append(f"{text}{separator}{volts:.5f}".replace(".", decimal if ":" in text else "."))
    if form == "dots" and decimal == ",":
        rows = [row.replace(",05,2026", ".05.2026") for row in rows]
        rows = [row.replace("04,05.2026", "04.05.2026") for row in rows]
    capture = load("x.csv", separator.join(("time", "bus")) + "\n" + "\n".join(rows) + "\n",
                   block=block)  # fmt: skip
    (trace,) = capture.traces
    assert isinstance(trace, Samples)
    assert trace.name == "bus"
    assert trace.rate_hz == pytest.approx(100e3, rel=1e-6)
    assert trace.start_s == pytest.approx(NOON_S, abs=1e-6)
    np.testing.assert_array_equal(np.concatenate(list(trace.chunks())), VOLTS.astype(np.float32))
    assert "since the midnight before the first row" in capture.notes[0]


def test_without_a_header_and_with_a_date_column(load: Load) -> None:
    rows = [f"2026-05-04,{NOON + timedelta(microseconds=10 * n):%H:%M:%S.%f},{v:.5f}"
            for n, v in enumerate(VOLTS.tolist())]  # fmt: skip
    for head in ("", "date,clock,bus\n"):
        (trace,) = load("x.csv", head + "\n".join(rows) + "\n").traces
        assert isinstance(trace, Samples)
        assert trace.start_s == pytest.approx(NOON_S, abs=1e-6)
        np.testing.assert_array_equal(
            np.concatenate(list(trace.chunks())), VOLTS.astype(np.float32)
        )


def test_a_column_of_seconds_goes_before_a_clock(load: Load) -> None:
    rows = [f"12:00:00,{n * 1e-5:.6f},{v:.5f}" for n, v in enumerate(VOLTS.tolist())]
    (trace,) = load("x.csv", "clock,time (s),bus (V)\n" + "\n".join(rows) + "\n").traces
    assert isinstance(trace, Samples)
    assert (trace.rate_hz, trace.start_s) == (100e3, 0.0)


def test_a_logic_line_on_change_over_midnight(load: Load) -> None:
    start = datetime(2026, 5, 4, 23, 59, 59, 990000)  # noqa: DTZ001
    moments = [start + timedelta(microseconds=700 * n) for n in range(40)]
    rows = "".join(f"{t:%H:%M:%S.%f};{n & 1}\n" for n, t in enumerate(moments))
    for block in (90, 1 << 20):
        (trace,) = load("x.csv", "time;tone\n" + rows, block=block).traces
        assert isinstance(trace, Edges)
        times = np.concatenate([pair[0] for pair in trace.chunks()])
        assert times.tolist() == pytest.approx([86399.99 + 7e-4 * n for n in range(40)], abs=1e-7)


def test_digits_that_come_and_go_are_read_row_by_row(load: Load) -> None:
    rows = [f"12:00:00.{n * 10:06d}".rstrip("0") + f",{v:.5f}" for n, v in enumerate(VOLTS)]
    rows[0] = f"12:00:00,{VOLTS[0]:.5f}"
    (trace,) = load("x.csv", "time,bus\n" + "\n".join(rows) + "\n").traces
    assert isinstance(trace, Samples)
    np.testing.assert_array_equal(np.concatenate(list(trace.chunks())), VOLTS.astype(np.float32))


def test_frames_of_such_a_table(load: Load) -> None:
    rate_hz = 100e3
    wave = np.concatenate(list(samples_of(Sending([bytes.fromhex("E03168FF")]), rate_hz)))
    rows = "".join(f"{NOON + timedelta(seconds=n / rate_hz):%H:%M:%S.%f},{v:.4f}\n"
                   for n, v in enumerate(wave.tolist()))  # fmt: skip
    capture = load("x.csv", "time,bus\n" + rows)
    (frame,) = [event for event in read_traffic(capture) if isinstance(event, FrameHeard)]
    assert frame.hex == "E0 31 68 FF"
    assert frame.t_s == pytest.approx(NOON_S + 0.025, abs=1e-4)


def test_a_clock_that_goes_backwards(load: Load) -> None:
    rows = [f"12:00:00.{n * 10:06d},{v:.5f}" for n, v in enumerate(VOLTS)]
    rows[250] = "12:00:00.000100,13.0"
    with pytest.raises(CaptureError, match=r"x\.csv:252: time 43200\.\d+ s is not after"):
        load("x.csv", "time,bus\n" + "\n".join(rows) + "\n")


@pytest.mark.parametrize(
    ("text", "line", "field"),
    [
        ('time,bus\n"1,000.25","13.0"\n"1,000.50","13.1"\n"1,000.75","13.1"\n', 2, "1,000.25"),
        ("time;bus\n1.000,25;13,0\n1.000,50;13,1\n1.000,75;13,2\n", 2, "1.000,25"),
        ("t (us)\tbus\n1'000.5\t13.0\n1'001.5\t13.1\n1'002.5\t13.0\n", 2, "1'000.5"),
        ("t (us);bus\n1 000,5;13,0\n1 001,5;13,1\n1 002,5;13,0\n", 2, "1 000,5"),
    ],
)
def test_thousands_set_apart_are_refused(load: Load, text: str, line: int, field: str) -> None:
    with pytest.raises(CaptureError) as caught:
        load("x.csv", text)
    assert str(caught.value).endswith(
        f"x.csv:{line}: {field!r} sets its thousands apart, which can be read in two ways; write"
        " plain numbers, such as 1234.56"
    )


def test_thousands_set_apart_far_down_are_refused_there(load: Load) -> None:
    rows = [f"{n / 10:,.1f}" for n in range(9000, 11000)]
    body = "".join(f'"{t}","13.{n % 7}"\n' for n, t in enumerate(rows))
    capture = load("x.csv", "time (ms),bus\n" + body.replace("(ms)", "(us)"), block=2000)
    with pytest.raises(CaptureError, match=r"x\.csv:1002: '1,000\.0' sets its thousands apart"):
        _drain(capture)
