"""VCD files against pyvcd (writer and reader) and vcdvcd."""

from __future__ import annotations

import gzip
import io
import signal
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from vcd import VCDWriter
from vcd.reader import TokenKind, tokenize
from vcd_reference import read_vcd_reference

from bridge.capture.open import open_capture
from bridge.capture.trace import Capture, Edges, Samples
from bridge.errors import CaptureError
from random_search import examples

Load = Callable[..., Capture]
SCALES = {
    f"{n} {unit}": n * size
    for unit, size in {
        "s": 1.0,
        "ms": 1e-3,
        "us": 1e-6,
        "ns": 1e-9,
        "ps": 1e-12,
        "fs": 1e-15,
    }.items()
    for n in (1, 10, 100)
}
HEAD = "$timescale 1 us $end $var wire 1 ! t $end $enddefinitions $end\n"


def _edges(capture: Capture, name: str) -> tuple[list[float], list[int]]:
    trace = capture.trace(name)
    assert isinstance(trace, Edges)
    pairs = list(trace.chunks())
    return (
        [float(t) for times_s, _ in pairs for t in times_s],
        [int(v) for _, levels in pairs for v in levels],
    )


def _samples(capture: Capture, name: str) -> np.ndarray[Any, Any]:
    trace = capture.trace(name)
    assert isinstance(trace, Samples)
    return np.concatenate(list(trace.chunks()))


@examples(25)
@given(
    st.sampled_from(list(SCALES)),
    st.lists(
        st.tuples(st.integers(0, 400), st.integers(0, 5), st.integers(0, 255)),
        min_size=1,
        max_size=60,
    ),
    st.sampled_from([3, 17, 50, 200]),
)
def test_edges_are_what_pyvcd_and_vcdvcd_read(
    tmp_path_factory: pytest.TempPathFactory,
    scale: str,
    steps: list[tuple[int, int, int]],
    block: int,
) -> None:
    file = io.StringIO()
    writer = VCDWriter(file, timescale=scale, date="today", version="none", comment="a 1! b0 #5")
    line = writer.register_var("top.bus", "tone", "wire", size=1, init="x")
    data = writer.register_var("top.bus", "data", "reg", size=8, init="z")
    level = writer.register_var("top", "volts", "real", init=0.0)
    text = writer.register_var("top", "state", "string", init="idle")
    others = [writer.register_var("top.many", f"w{n}", "wire", size=1) for n in range(100)]
    tick = 0
    for step, what, value in steps:
        tick += step
        if what == 0:
            writer.change(line, tick, "01xz"[value % 4])
        elif what == 1:
            writer.change(data, tick, value)
        elif what == 2:
            writer.change(level, tick, value / 7)
        elif what == 3:
            writer.change(text, tick, f"b{value}")
        else:
            writer.change(others[value % 100], tick, value & 1)
    writer.close(tick + 1)
    content = file.getvalue().encode()
    path = tmp_path_factory.getbasetemp() / "x.vcd"
    path.write_bytes(content)
    capture = open_capture(str(path), block=block)

    code, wanted, now = "", [], 0  # what pyvcd's own reader says
    codes: dict[str, str] = {}
    for token in tokenize(io.BytesIO(content)):
        if token.kind is TokenKind.VAR:
            codes[token.var.reference] = token.var.id_code
            code = codes.get("tone", "")
        elif token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR and token.scalar_change.id_code == code:
            value_now = "01".find(token.scalar_change.value) % 3
            if not wanted or wanted[-1][1] != value_now:
                wanted.append((now, value_now))
    times_s, levels = _edges(capture, "tone")
    assert levels == [level for _, level in wanted]
    np.testing.assert_allclose(times_s, [tick * SCALES[scale] for tick, _ in wanted], rtol=1e-15)

    other = read_vcd_reference(path)
    assert signal.getsignal(signal.SIGPIPE) is signal.SIG_IGN  # as Python starts
    for bit in (0, 3, 7):
        wanted = []
        for tick, value in other[
            "top.bus.data[7:0]" if "top.bus.data[7:0]" in other.signals else "top.bus.data"
        ].tv:
            fill = value if value in ("x", "z") else "0"
            digit = value.rjust(8, fill)[7 - bit]
            level_now = "01".find(digit) % 3
            if not wanted or wanted[-1][1] != level_now:
                wanted.append((tick, level_now))
        times_s, levels = _edges(capture, f"data[{bit}]")
        assert levels == [level for _, level in wanted]
        np.testing.assert_allclose(times_s, [t * SCALES[scale] for t, _ in wanted], rtol=1e-15)


def test_codes_that_look_like_other_things(load: Load) -> None:
    content = (
        "$timescale 1 us $end $var wire 1 # a $end $var reg 2 b b $end $var real 64 r c $end\n"
        "$var reg 2 $ d $end $var wire 1 #1 e $end $var real 1 0 f $end $enddefinitions $end\n"
        "#0 0# b10 b r1.5 r b1 $ 0#1 r2 0\n#5\n1#\nb01 b\nb11 $\n1#1\n"
        "#7 0# bx b r2.5 r\nb0\n$ r3 0\n#9\n"
    )
    for block in (1, 3, 1000):
        capture = load("x.vcd", content, block=block)
        assert _edges(capture, "a") == ([0, 5e-6, 7e-6], [0, 1, 0])
        assert _edges(capture, "e") == ([0, 5e-6], [0, 1])
        assert _edges(capture, "b[0]") == ([0, 5e-6, 7e-6], [0, 1, 2])
        assert _edges(capture, "b[1]") == ([0, 5e-6, 7e-6], [1, 0, 2])
        assert _edges(capture, "d[0]") == ([0, 7e-6], [1, 0])
        assert capture.trace("c").volts
        assert capture.traces[0].end_s == 9e-6


def test_several_changes_a_line_and_comments_between(load: Load) -> None:
    content = (
        HEAD
        + "#0 0! #3 1! #4\t0!\r\n$comment 1! #1 b0 $end #6 1! $dumpoff x! $end #9 $dumpon 0! $end"
    )
    for block in (1, 5, 1000):
        assert _edges(load("x.vcd", content, block=block), "t") == (
            [0, 3e-6, 4e-6, 6e-6, 6e-6, 9e-6],
            [0, 1, 0, 1, 2, 0],
        )


def test_short_vectors_go_on_to_the_left(load: Load) -> None:
    # IEEE 1364: 0 and 1 with 0, x with x, z with z (from memory)
    content = (
        "$timescale 1 us $end $var reg 4 ! v $end $enddefinitions $end\n"
        "#0\nb1 !\n#1\nbx1 !\n#2\nb1010 !\n#3\nbz !\n#4\nb11 !\n"
    )
    capture = load("x.vcd", content)
    assert _edges(capture, "v[3]") == ([0, 1e-6, 2e-6, 3e-6, 4e-6], [0, 2, 1, 2, 0])
    assert _edges(capture, "v[0]") == ([0, 2e-6, 3e-6, 4e-6], [1, 0, 2, 1])


@pytest.mark.parametrize("rate_hz", [48000, 96000, 100000, 192000, 250000, 1000000])
@pytest.mark.parametrize("tick_s", [1e-6, 1e-7, 1e-9])
def test_a_real_is_laid_on_the_grid_it_was_sampled_on(
    load: Load, rate_hz: int, tick_s: float
) -> None:
    rng = np.random.default_rng(3)
    count = 6000
    carrier = np.sin(2 * np.pi * 22000 * np.arange(count) / rate_hz) * (
        np.arange(count) % 500 < 250
    )
    volts = np.round(13 + 0.3 * carrier + rng.normal(0, 0.02, count), 1)
    ticks = np.rint(np.arange(count) / rate_hz / tick_s).astype(int) + 12345
    rows = [f"#{ticks[0]}\nr{volts[0]:.16g} !\n"]
    rows += [
        f"#{ticks[n]}\nr{volts[n]:.16g} !\n" for n in range(1, count) if volts[n] != volts[n - 1]
    ]
    unit = {1e-6: "1us", 1e-7: "100 ns", 1e-9: "1 ns"}[tick_s]
    head = f"$timescale {unit} $end $var real 64 ! v $end $enddefinitions $end\n"
    content = f"{head}{''.join(rows)}#{ticks[-1]}\n"
    capture = load("x.vcd", content, block=5000)
    trace = capture.trace("v")
    assert isinstance(trace, Samples)
    assert trace.rate_hz == pytest.approx(rate_hz, rel=1e-5)
    assert trace.start_s == pytest.approx(12345 * tick_s, abs=1.1 * tick_s)
    values = _samples(capture, "v")
    assert values.size == count
    np.testing.assert_array_equal(values, volts.astype(np.float32))


def test_a_real_that_changes_at_any_time_is_held(load: Load) -> None:
    rng = np.random.default_rng(5)
    ticks = np.cumsum(rng.integers(5_000, 90_000, 200))
    volts = rng.normal(13, 1, 200)
    body = "".join(f"#{t}\nr{v:.17g} !\n" for t, v in zip(ticks, volts, strict=True))
    capture = load(
        "x.vcd", f"$timescale 1 ns $end $var real 1 ! v $end $enddefinitions $end\n{body}"
    )
    trace = capture.trace("v")
    assert isinstance(trace, Samples)
    assert trace.rate_hz == 250_000
    values = _samples(capture, "v")
    at_s = trace.start_s + np.arange(values.size) / trace.rate_hz
    held = volts[np.maximum(np.searchsorted(ticks * 1e-9, at_s + 0.5 / trace.rate_hz) - 1, 0)]
    assert np.mean(values == held.astype(np.float32)) > 0.99


def test_a_converter_as_a_vector_is_offered_as_a_number(load: Load) -> None:
    counts = (np.sin(np.arange(300) * 1.3) * 100 + 128).astype(int)
    body = "".join(f"#{n * 10}\nb{c:b} !\n" for n, c in enumerate(counts))
    capture = load(
        "x.vcd", f"$timescale 1 us $end $var reg 8 ! adc [7:0] $end $enddefinitions $end\n{body}"
    )
    trace = capture.trace("adc")
    assert isinstance(trace, Samples)
    assert trace.rate_hz == 100_000
    assert not trace.volts
    np.testing.assert_array_equal(_samples(capture, "adc"), counts)


def test_names_are_short_where_they_are_unique(load: Load) -> None:
    content = (
        "$timescale 1 us $end $scope module a $end $var wire 1 ! t $end\n"
        "$var wire 1 % u $end $upscope $end\n"
        '$scope module b $end $var wire 1 " t $end $var wire 1 ! u2 $end $upscope $end\n'
        '$enddefinitions $end\n#0\n0!\n1"\n0%\n'
    )
    assert [trace.name for trace in load("x.vcd", content).traces] == ["a.t", "u", "b.t"]


def test_gzip_reads_alike(
    files: dict[str, bytes], load: Load, read_all: Callable[..., Any]
) -> None:
    plain = [trace[:2] + trace[-2:] for trace in read_all(load("a.vcd", files["a.vcd"]))]
    packed = [trace[:2] + trace[-2:] for trace in read_all(load("a.vcd.gz", files["a.vcd.gz"]))]
    assert packed == plain
    with pytest.raises(CaptureError, match="packed data stops after"):
        load("b.vcd.gz", files["a.vcd.gz"][:-20])
    damaged = gzip.compress(files["a.vcd"], mtime=0)
    with pytest.raises(CaptureError, match="packed data"):
        load("c.vcd.gz", damaged[:200] + b"\xff\xff\xff" + damaged[203:])


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("$timescale 1 us $end $var wire 1 ! t $end\n", "byte 42: the file ends within"),
        ("$timescale 1 us $end $enddefinitions $end\n#0\n", "no variable"),
        ("$var wire 1 ! t $end $enddefinitions $end\n#0\n", r"no \$timescale"),
        ("$timescale 3 parsec $end\n" + HEAD, "time scale '3 parsec'; allowed are 1, 10 or 100"),
        ("$timescale 1 ns $end $var wire ! t $end\n" + HEAD, r"byte 21: \$var wire ! t is not"),
        ("$timescale 1 ns $end 1! " + HEAD, "byte 21: '1!' where a declaration must begin"),
        (HEAD + "#5\n1!\n#3\n0!\n", "byte 69: time #3 is before #5"),
        (HEAD + "#5\n1!\n#x\n0!\n#9\n", "byte 69: time stamp #x is no whole number"),
        (HEAD + "#5\n1!\nq!\n#9\n0!\n", "byte 69: 'q!' is neither a time stamp nor a value"),
        (HEAD + "#5\n1!\n#99999999999999999999\n0!\n", "is no whole number from 0 to 1e18"),
    ],
)
def test_damage_is_told_with_its_place(
    load: Load, read_all: Callable[..., Any], content: str, sentence: str
) -> None:
    for block in (4, 1000):
        with pytest.raises(CaptureError, match=sentence):
            read_all(load("x.vcd", content, block=block))


def test_a_real_that_is_no_number(load: Load, read_all: Callable[..., Any]) -> None:
    head = "$timescale 1 us $end $var real 1 ! t $end $enddefinitions $end\n"
    content = head + "#0\nr1.5 !\n#1\nr1.x !\n#2\n"
    with pytest.raises(CaptureError, match=r"byte 77: '1\.x' is no number"):
        read_all(load("x.vcd", content))
