"""Tables in the ways recorders write them; values against numpy.loadtxt."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.capture.open import open_capture
from bridge.capture.trace import Capture, Edges, Samples
from bridge.errors import CaptureError

Load = Callable[..., Capture]
VOLTS = np.round(18 + 0.3 * np.sin(np.arange(300)), 5)


def _samples(capture: Capture, n: int = 0) -> tuple[Samples, np.ndarray[Any, Any]]:
    trace = capture.traces[n]
    assert isinstance(trace, Samples)
    return trace, np.concatenate(list(trace.chunks()))


def _edges(capture: Capture, n: int = 0) -> tuple[Edges, list[float], list[int]]:
    trace = capture.traces[n]
    assert isinstance(trace, Edges)
    pairs = list(trace.chunks())
    times_s = np.concatenate([pair[0] for pair in pairs]).tolist()
    return trace, times_s, np.concatenate([pair[1] for pair in pairs]).tolist()


@given(
    st.sampled_from(
        [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", "."), (" ", ".")]
    ),
    st.sampled_from([("s", 1.0), ("ms", 1e3), ("us", 1e6), ("ns", 1e9)]),
    st.sampled_from(["{} ({})", "{} [{}]", "{}_{}", "{} {}", "lines"]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([".8f", ".3f", ".6e", "9.4f", "+.5f"]),
    st.sampled_from([48000.0, 96000.0, 100000.0, 250000.0, 1e6, 48828.125]),
    st.sampled_from([0.0, -0.05, 12.5]),
    st.booleans(),
    st.integers(20, 4000),
)
def test_values_are_what_numpy_reads(  # noqa: PLR0917
    tmp_path_factory: pytest.TempPathFactory,
    marks: tuple[str, str],
    unit: tuple[str, float],
    heading: str,
    line_end: str,
    form: str,
    rate_hz: float,
    start_s: float,
    quoted: bool,
    block: int,
) -> None:
    separator, decimal = marks
    if separator == " " and (form == "9.4f" or heading == "{} {}"):
        return
    volts = VOLTS[:100]
    times = start_s + np.arange(100) / rate_hz
    rows = [f"{t * unit[1]:.9f}{separator}{v:{form}}" for t, v in zip(times, volts, strict=True)]
    body = line_end.join(rows) + line_end
    names = ["time", "bus"]
    if heading == "lines":
        head = [separator.join(names), separator.join([unit[0], "V"])]
    else:
        head = [separator.join([heading.format("time", unit[0]), heading.format("bus", "V")])]
    if separator == " ":
        head = [line.replace(" (", "(").replace(" [", "[") for line in head]
    if quoted and separator != " ":
        head = [separator.join(f'"{field}"' for field in line.split(separator)) for line in head]
    text = line_end.join(head) + line_end + body.replace(".", decimal)
    path = tmp_path_factory.getbasetemp() / "x.csv"
    path.write_bytes(text.encode())
    expected = np.loadtxt(
        io.StringIO(body), delimiter=None if separator == " " else separator, usecols=1
    )

    trace, values = _samples(open_capture(str(path), block=block))
    np.testing.assert_array_equal(values, expected.astype(np.float32))
    assert trace.name == "bus"
    assert trace.volts
    assert trace.rate_hz == pytest.approx(rate_hz, rel=3e-6)
    assert trace.start_s == pytest.approx(start_s, abs=1e-9)


def test_a_preamble_tells_the_rate_where_rows_have_no_times(load: Load) -> None:
    body = "".join(f"{v}\n" for v in VOLTS)
    for head in (
        "# sample_rate = 100000 Hz\n",
        "Sample Rate,100 kHz\n",
        "Sample Interval,1.0e-05\n",
        "dt: 10 us\n",
        "Sampling rate (kS/s): 100\nvolts\n",
        "; Samplerate: 0.1 MHz\n",
        "XIncrement,10us\nCH1\n",
        "Record Length,300\nVertical Units,V\nSample Interval,1e-5\n\nVOLTS\n",
    ):
        trace, values = _samples(load("x.csv", head + body))
        assert trace.rate_hz == 100000, head
        np.testing.assert_array_equal(values, VOLTS.astype(np.float32))
    trace, _ = _samples(
        load("x.csv", "Sample Interval;1,0E-5\nx-origin;-0,02\n" + body.replace(".", ","))
    )
    assert (trace.rate_hz, trace.start_s) == (100000, -0.02)


def test_without_any_rate_it_is_asked_for(load: Load) -> None:
    body = "".join(f"{v}\n" for v in VOLTS)
    with pytest.raises(CaptureError, match=r"neither a time column nor a sample rate.*--rate"):
        load("x.csv", body)
    trace, values = _samples(load("x.csv", body, rate_hz=48000.0))
    assert trace.rate_hz == 48000
    assert values.size == 300
    comma = "".join(f"{v:.5f}\n" for v in VOLTS).replace(".", ",")
    np.testing.assert_array_equal(
        _samples(load("x.csv", comma, rate_hz=48000.0))[1], VOLTS.astype(np.float32)
    )


def test_several_channels_units_and_row_numbers(load: Load) -> None:
    rows = "".join(f"{n},{n * 4},{v * 1000:.2f},{-v:.5f},{n & 1},\n" for n, v in enumerate(VOLTS))
    capture = load("x.csv", "Sample,Time (us),CH1 (mV),CH2 (V),D0,\n" + rows)
    assert [trace.name for trace in capture.traces] == ["CH1", "CH2", "D0"]
    trace, values = _samples(capture)
    assert trace.rate_hz == 250000
    np.testing.assert_allclose(values, VOLTS, rtol=1e-6)
    np.testing.assert_allclose(_samples(capture, 1)[1], -VOLTS, rtol=1e-6)
    _, times_s, levels = _edges(capture, 2)
    assert levels == [n & 1 for n in range(300)]
    assert times_s == pytest.approx([n * 4e-6 for n in range(300)])


def test_no_header_and_times_first(load: Load) -> None:
    rows = "".join(f"{n * 1e-5:.8f},{v}\n" for n, v in enumerate(VOLTS))
    trace, values = _samples(load("x.csv", rows))
    assert (trace.rate_hz, trace.start_s, trace.name) == (100000, 0, "column 2")
    np.testing.assert_array_equal(values, VOLTS.astype(np.float32))


def test_row_numbers_need_a_rate(load: Load) -> None:
    rows = "".join(f"{n},{v}\n" for n, v in enumerate(VOLTS))
    with pytest.raises(CaptureError, match="--rate"):
        load("x.csv", rows)
    trace, values = _samples(load("x.csv", "# rate 50 kHz\n" + rows))
    assert trace.rate_hz == 50000
    np.testing.assert_array_equal(values, VOLTS.astype(np.float32))


@pytest.mark.parametrize(("step", "unit"), [(10, "us"), (0.01, "ms"), (10000, "ns")])
def test_a_unit_that_cannot_be_true_is_mended_and_told(load: Load, step: float, unit: str) -> None:
    rows = "".join(f"{n * step:.8g}\t{v}\n" for n, v in enumerate(VOLTS))
    capture = load("x.tsv", "x-axis\t1\nsecond\tVolt\n" + rows)
    assert _samples(capture)[0].rate_hz == pytest.approx(100000)
    assert capture.notes[0].endswith(f"taken as {unit}")


def test_a_logic_line_sampled_evenly_and_on_change(load: Load) -> None:
    bits = (np.arange(400) // 7) & 1
    even = "".join(f"{n * 1e-5:.8f},{b}\n" for n, b in enumerate(bits))
    _, times_s, levels = _edges(load("x.csv", "Time [s],tone\n" + even))
    assert levels == [n & 1 for n in range(58)]
    assert times_s == pytest.approx([n * 7e-5 for n in range(58)])
    on_change = "".join(f"{n * 7e-5:.8f},{n & 1},0\n" for n in range(58) if n % 5)
    capture = load("y.csv", "Time [s],tone,other\n" + on_change)
    _, times_s, levels = _edges(capture)
    assert times_s[:4] == pytest.approx([7e-5, 14e-5, 21e-5, 28e-5])
    assert levels[:4] == [1, 0, 1, 0]
    assert _edges(capture, 1)[2] == [0]
    words = "".join(f"{n * 7e-5:.8f};{('low', 'high', 'x')[n % 3]}\n" for n in range(58))
    assert _edges(load("z.csv", "time;tone\n" + words))[2] == [n % 3 for n in range(58)]


def test_bits_alone_with_a_rate(load: Load) -> None:
    bits = "".join(f"{(n // 3) & 1}\n" for n in range(90))
    trace, times_s, levels = _edges(load("x.csv", bits, rate_hz=1e5))
    assert levels == [n & 1 for n in range(30)]
    assert times_s == pytest.approx([n * 3e-5 for n in range(30)])
    assert trace.resolution_s == 1e-5


@pytest.mark.parametrize("rate_hz", [96000.0, 250000.0])
@pytest.mark.parametrize("form", [".5f", ".6f", ".4e"])
def test_times_with_few_digits(load: Load, rate_hz: float, form: str) -> None:
    count = 4000
    volts = np.sin(np.arange(count))
    rows = "".join(f"{n / rate_hz:{form}},{v:.4f}\n" for n, v in enumerate(volts))
    trace, values = _samples(load("x.csv", "t,v\n" + rows, block=4096))
    assert trace.rate_hz == pytest.approx(rate_hz, rel=1e-3)
    assert values.size == pytest.approx(count, abs=3)
    np.testing.assert_allclose(values[:3000], volts[:3000], atol=1e-4)


def test_missing_rows_are_bridged(load: Load) -> None:
    kept = [n for n in range(4000) if not 1000 <= n < 1500 and n != 2000]
    rows = "".join(f"{n * 1e-5:.8f},{n / 1000:.3f}\n" for n in kept)
    for block in (500, 1 << 20):
        trace, values = _samples(load("x.csv", "time,volts\n" + rows, block=block))
        assert trace.rate_hz == 100000
        np.testing.assert_allclose(values, np.arange(4000) / 1000, atol=2e-3)


def test_uneven_rows_are_read_off_straight_lines(load: Load) -> None:
    rng = np.random.default_rng(1)
    times = np.cumsum(rng.uniform(0.5e-6, 20e-6, 2000))
    rows = "".join(f"{t:.9f},{np.sin(t * 2000):.6f}\n" for t in times)
    trace, values = _samples(load("x.csv", "time,volts\n" + rows, block=4096))
    at_s = trace.start_s + np.arange(values.size) / trace.rate_hz
    np.testing.assert_allclose(values, np.sin(at_s * 2000), atol=2e-3)


def test_blank_lines_comments_and_gaps_in_the_rows(load: Load) -> None:
    lines = [f"{n * 1e-5:.8f},{v}" for n, v in enumerate(VOLTS)]
    lines[20] = lines[20].partition(",")[0] + ","
    lines[30] = lines[30].partition(",")[0] + ",NaN"
    lines[100:100] = ["", "# paused", "   "]
    trace, values = _samples(load("x.csv", "time,volts\n" + "\n".join(lines)))
    expected = VOLTS.astype(np.float32).copy()
    expected[20], expected[30] = expected[19], expected[29]
    assert trace.rate_hz == 100000
    np.testing.assert_array_equal(values[: len(expected) - 1], expected[:-1])


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        (
            "0.00010,18.0",
            r"x\.csv:202: time 0\.0001 s is not after 0\.00199 s; sort the rows or remove",
        ),
        ("0.00200,18.q", r"x\.csv:202: '18\.q' is no number; correct the row or begin it with #"),
        ("zwei,18.0", r"x\.csv:202: 'zwei' is no number"),
        ("0.00200", r"x\.csv:202: 1 of 2 columns; complete the row or remove it"),
        ("1e99,18", r"x\.csv:202: time 1e\+99 s lies outside 1e\+12 s either way"),
        ("nan,18", r"x\.csv:202: time nan s is not after"),
    ],
)
def test_a_row_that_cannot_be_is_named(load: Load, row: str, sentence: str) -> None:
    lines = [f"{n * 1e-5:.5f},{v}" for n, v in enumerate(VOLTS)]
    lines[200] = row
    for block in (100, 1 << 20):
        with pytest.raises(CaptureError, match=sentence):
            _samples(load("x.csv", "time,volts\n" + "\n".join(lines) + "\n", block=block))


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("1e99,18", r"x\.csv: the times reach 1e\+99 s, more than"),
        (
            "0.05,18",
            r"x\.csv:6002: time 0\.05 s is not after 0\.0599\d* s; sort the rows or remove",
        ),
        ("0.06,18.q", r"x\.csv:6002: '18\.q' is no number; correct the row or begin it with #"),
    ],
)
def test_a_row_far_down_that_cannot_be_is_named(load: Load, row: str, sentence: str) -> None:
    rows = "".join(f"{n * 1e-5:.7f},{VOLTS[n % 300]}\n" for n in range(6000))
    for block in (1000, 1 << 20):
        capture = load("x.csv", f"time,volts\n{rows}{row}\n", block=block)
        with pytest.raises(CaptureError, match=sentence):
            _samples(capture)


def test_quoted_fields(load: Load) -> None:
    rows = "".join(f'"{n * 1e-5:.8f}","{v}"\n'.replace(".", ",") for n, v in enumerate(VOLTS))
    trace, values = _samples(load("x.csv", '"Time (s)","CH1 (V)"\n' + rows))
    assert (trace.rate_hz, trace.name) == (100000, "CH1")
    np.testing.assert_array_equal(values, VOLTS.astype(np.float32))


def test_a_micro_sign_in_latin_1(load: Load) -> None:
    rows = "".join(f"{n * 4};{v * 1000:.2f}\n" for n, v in enumerate(VOLTS))
    trace, values = _samples(
        load("x.csv", "Time (µs);CH1 (mV)\n".encode("latin-1") + rows.encode())
    )
    assert (trace.rate_hz, trace.name) == (250000, "CH1")
    np.testing.assert_allclose(values, VOLTS, rtol=1e-6)


@pytest.mark.parametrize("digits", [2, 3, 4, 5])
@pytest.mark.parametrize("volts", [17.999, 13.45, -0.15])
def test_one_quiet_column_with_decimal_commas_is_one_column(
    tmp_path: Path, digits: int, volts: float
) -> None:
    values = volts + 0.003 * np.sin(np.arange(200))
    text = "\n".join(f"{value:.{digits}f}" for value in values)
    path = tmp_path / "quiet.csv"
    path.write_text("# sample_rate = 125000 Hz\n# unit = V\n" + text.replace(".", ",") + "\n")
    trace, read = _samples(open_capture(str(path)))
    assert len(open_capture(str(path)).traces) == 1
    assert trace.rate_hz == 125_000.0
    assert read == pytest.approx(np.loadtxt(io.StringIO(text)), abs=1e-5)


def test_two_whole_columns_stay_two(load: Load) -> None:
    rows = "".join(f"{n % 50},{512 + n % 7}\n" for n in range(200))
    capture = load("codes.csv", rows, rate_hz=1e5)
    assert [trace.name for trace in capture.traces] == ["column 1", "column 2"]
    np.testing.assert_array_equal(_samples(capture, 0)[1], np.arange(200) % 50)
    np.testing.assert_array_equal(_samples(capture, 1)[1], 512 + np.arange(200) % 7)


def test_a_column_that_counts_the_rows_is_no_channel(load: Load) -> None:
    rows = "".join(f"{n},{512 + n % 7}\n" for n in range(200))
    capture = load("codes.csv", rows, rate_hz=1e5)
    assert [trace.name for trace in capture.traces] == ["column 2"]
    np.testing.assert_array_equal(_samples(capture)[1], 512 + np.arange(200) % 7)


def test_a_long_row_is_read_and_one_without_end_refused(
    load: Load, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = "".join(f"{n * 1e-5:.8f},{v},{'remark ' * 40}\n" for n, v in enumerate(VOLTS))
    capture = load("x.csv", "time,volts,note\n" + rows, block=100)
    np.testing.assert_array_equal(_samples(capture)[1], VOLTS.astype(np.float32))
    monkeypatch.setattr("bridge.capture.table.rows.LINE_MOST", 500)
    rows += "0.003,1" + "8" * 2000
    with pytest.raises(
        CaptureError, match=r"x\.csv:302: a row of more than \d+ bytes; this is no table, or its"
    ):
        _samples(load("x.csv", "time,volts,note\n" + rows, block=100))
