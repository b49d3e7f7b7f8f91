"""Hex text in the spellings people use; the bytes against bytes.fromhex."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bridge.capture.hextext.line import FRAMINGS, LineError, parse_line
from bridge.capture.trace import Capture, Lines
from bridge.errors import CaptureError

Load = Callable[..., Capture]
DRIVE = bytes.fromhex("E03168FF")
SPELLINGS = {
    "spaced": lambda b: b.hex(" ").upper(),
    "lower": lambda b: b.hex(" "),
    "packed": lambda b: b.hex(),
    "packed 0x": lambda b: "0x" + b.hex(),
    "c": lambda b: ",".join(f"0x{n:02X}" for n in b),
    "c spaced": lambda b: "{ " + ", ".join(f"0x{n:02x}" for n in b) + " };",
    "c short": lambda b: ", ".join(f"0x{n:X}" for n in b),
    "c array": lambda b: "uint8_t frame[] = {" + ", ".join(f"0x{n:02X}" for n in b) + "};",
    "python": lambda b: "b'" + "".join(f"\\x{n:02x}" for n in b) + "'",
    "escaped": lambda b: "".join(f"\\x{n:02X}" for n in b),
    "colon": lambda b: b.hex(":").upper(),
    "dash": lambda b: b.hex("-").upper(),
    "comma": lambda b: b.hex(",").upper(),
    "semicolon": lambda b: b.hex(";").upper(),
    "tab": lambda b: b.hex("\t").upper(),
    "suffix": lambda b: " ".join(f"{n:02X}h" for n in b),
    "assembler": lambda b: ", ".join(f"0{n:02X}h" for n in b),
    "dollar": lambda b: " ".join(f"${n:02X}" for n in b),
    "brackets": lambda b: "[" + b.hex(" ") + "]",
    "list": lambda b: "[" + ", ".join(f"0x{n:02x}" for n in b) + "]",
    "angles": lambda b: "<" + b.hex(" ") + ">",
    "quoted": lambda b: '"' + b.hex(" ") + '"',
    "pairs": lambda b: " ".join(b[n : n + 2].hex() for n in range(0, len(b), 2)),
}
CLOCKS = [
    ("{} ", "1.250000", 1.25),
    ("[    {}] ", "1.250000", 1.25),
    ("{}\t", "1.250000", 1.25),
    ("{},", "1.250000", 1.25),
    ("{};", "1,250000", 1.25),
    ("{}: ", "1250 ms", 1.25),
    ("{} > ", "1250.0ms", 1.25),
    ("t={} data=", "1.25s", 1.25),
    ("{}  ", "00:00:01.250", 1.25),
    ("{} ", "2026-05-04 00:00:01.250", 1.25),
    ("{} TX: ", "2026-05-04T00:00:01.250Z", 1.25),
    ("+{} ", "1250000 us", 1.25),
    ("T+{} ", "1.25", 1.25),
    ("({}) ", "1:01.25", 61.25),
    ("@{} ", "1.25e0", 1.25),
]


@given(st.sampled_from(sorted(SPELLINGS)), st.binary(min_size=2, max_size=8))
def test_every_spelling_gives_the_bytes(spelling: str, data: bytes) -> None:
    # "12 E0 31" is line 12 of a list
    assume(not (data[:1].hex().isdecimal() and data[1] in FRAMINGS))
    line = parse_line(SPELLINGS[spelling](data))
    assert line is not None
    assert line.data == data
    assert line.time_s is None


@given(
    st.sampled_from(sorted(set(SPELLINGS) - {"packed", "c short"})),
    st.binary(min_size=1, max_size=1),
)
def test_a_frame_of_one_byte(spelling: str, data: bytes) -> None:
    line = parse_line(SPELLINGS[spelling](data))
    assert line is not None
    assert line.data == data


@pytest.mark.parametrize(("lead", "text", "time_s"), CLOCKS)
@pytest.mark.parametrize("spelling", sorted(SPELLINGS))
def test_every_spelling_of_a_time(lead: str, text: str, time_s: float, spelling: str) -> None:
    line = parse_line(lead.format(text) + SPELLINGS[spelling](DRIVE))
    assert line is not None
    assert line.data == DRIVE
    assert line.time_s == pytest.approx(time_s, abs=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "E0 31 68 FF  # drive east",
        "E0 31 68 FF // drive east",
        "E0 31 68 FF ; drive",
        "TX: E0 31 68 FF",
        "-> E0 31 68 FF",
        "3: E0 31 68 FF",
        "[3] E0 31 68 FF",
        "12) e03168ff",
        '"E0 31 68 FF"',
        "E0.31.68.FF",
        "E0_31_68_FF",
        "[4] E0 31 68 FF",
        "4 bytes: E0 31 68 FF",
        "3\tE0 31 68 FF",
        "master > E0 31 68 FF",
        "E0 31 68 FF,drive east",
        "E0 31 68 FF |.1h.|",
        "frame = E0 31 68 FF",
        "3,E0 31 68 FF",
        "INFO sent E0 31 68 FF to the bus",
        "  E0 31 68 FF\r\n",
        "\ufeffE0 31 68 FF",
        '{"hex": "E0 31 68 FF"}',
        '{"data": [224, 49, 104, 255], "kind": "frame"},',
    ],
)
def test_what_stands_around_a_frame(text: str) -> None:
    line = parse_line(text)
    assert line is not None
    assert line.data == DRIVE
    assert line.time_s is None


@pytest.mark.parametrize(
    "text",
    [
        "",
        "   ",
        "# a comment",
        "// E0 31",
        "; note",
        "the dish was moved by hand",
        "log started 2026-03-01 12:00",
        "* * *",
        '{"kind": "tone"}',
    ],
)
def test_lines_without_a_frame(text: str) -> None:
    assert parse_line(text) is None


@pytest.mark.parametrize(
    "text",
    [
        "E0 31 6",
        "E0 3l 68 FF",
        "E0 ?? 68 FF",
        "E03",
        "E0 31 6G FF",
        "E0,31,6G,FF",
        "1 2 3 4",
        '{"hex": 5}',
        "00 11 22 33 44 55 66 77 88",
        "0.5 E0 31 6",
        "E0 31 68 1FF",
    ],
)
def test_lines_that_are_nearly_a_frame(text: str) -> None:
    with pytest.raises(LineError):
        parse_line(text)


@given(st.text(max_size=60))
def test_any_line_gives_a_frame_nothing_or_a_reason(text: str) -> None:
    try:
        line = parse_line(text)
    except LineError:
        pass
    else:
        assert line is None or 1 <= len(line.data) <= 8


def _lines(capture: Capture) -> list[tuple[float | None, bytes, str]]:
    (trace,) = capture.traces
    assert isinstance(trace, Lines)
    return [(time_s, data, where.rpartition(":")[2]) for time_s, data, where in trace.chunks()]


def test_frames_know_their_lines(load: Load) -> None:
    text = "# log\n\nE0 31 68 FF\r\nE0 31 60\n"
    assert _lines(load("x.txt", text)) == [(None, DRIVE, "3"), (None, b"\xe0\x31\x60", "4")]


def test_a_table_of_frames(load: Load) -> None:
    text = "number;time (ms);frame;note\n1;10,5;E0 31 68 FF;east\n2;220,5;e0:31:60;\n"
    expected = [(0.0105, DRIVE, "2"), (0.2205, b"\xe0\x31\x60", "3")]
    assert _lines(load("x.csv", text)) == expected
    text = (
        't_s,kind,hex,meaning\n0.5,frame,E0 31 68 FF,"drive, east"\n0.7,burst,,\n'
        "0.8,frame,E0 31 60,halt\n"
    )
    assert _lines(load("x.csv", text)) == [(0.5, DRIVE, "2"), (0.8, b"\xe0\x31\x60", "4")]


@pytest.mark.parametrize(
    ("text", "data"),
    [
        ("9 E0 31 66", "E03166"),
        ("10 E0 31 66", "E03166"),
        ("0012\tE0 31 68 FF", "E03168FF"),
        ("120 e03160", "E03160"),
        ("9 E4 80  # answer", "E480"),
        ("70 E0 31 66", "70E03166"),  # a first byte that EN 50607 allows
        ("12 31 68 FF", "123168FF"),  # 31 begins no message: a frame with a wrong first byte
        ("E0 31 66", "E03166"),
    ],
)
def test_a_number_before_a_frame(text: str, data: str) -> None:
    line = parse_line(text)
    assert line is not None
    assert line.data == bytes.fromhex(data)
    assert line.time_s is None


def test_a_numbered_list_is_read_through(load: Load) -> None:
    """Lines 70 to 79 too, whose numbers could be first bytes of EN 50607."""
    text = "".join(f"{n} E0 31 6B {n % 100:02d}\n" for n in range(1, 131))
    frames = [data for _, data, _ in _lines(load("x.txt", text))]
    assert frames == [bytes.fromhex(f"E0316B{n % 100:02d}") for n in range(1, 131)]
    timed = "".join(f"{n} {n / 8:.3f} E0 31 60\n" for n in range(1, 131))
    times = [time_s for time_s, _, _ in _lines(load("y.txt", timed))]
    assert times == [round(n / 8, 3) for n in range(1, 131)]


def test_objects_as_they_are_printed(load: Load) -> None:
    text = (
        '{"t_s": 0.5, "kind": "frame", "hex": "E0 31 68 FF"}\n'
        '{"t_s": 0.6, "kind": "burst", "which": "A"}\n'
    )
    assert _lines(load("x.jsonl", text)) == [(0.5, DRIVE, "1")]


def test_a_clock_passes_midnight(load: Load) -> None:
    text = "23:59:59.900 E0 31 68 FF\n00:00:00.100 E0 31 60\n"
    times = [line[0] for line in _lines(load("x.txt", text))]
    assert times == pytest.approx([86399.9, 86400.1])


def test_times_that_go_backwards(load: Load) -> None:
    with pytest.raises(CaptureError, match=r"x\.txt:2: time 0\.4.* s is before 0\.5.* s; sort"):
        _lines(load("x.txt", "0.5 E0 31 68 FF\n0.4 E0 31 60\n"))


def test_a_line_that_cannot_be_read_is_named(load: Load) -> None:
    capture = load("x.txt", "E0 31 68 FF\nE0 31 6\n")
    with pytest.raises(
        CaptureError, match=r"x\.txt:2: no frame can be read from 'E0 31 6'; write it as"
    ):
        _lines(capture)
    with pytest.raises(CaptureError, match="9 bytes in one frame; allowed are 1 to 8"):
        load("x.txt", "E0 31 68 FF 00 00 00 00 00\n")


def test_a_row_in_quotes_is_a_time_and_a_frame() -> None:
    line = parse_line('"0.029967","E3 D8 3A"')
    assert line is not None
    assert (line.time_s, line.data) == (0.029967, bytes.fromhex("E3D83A"))


@pytest.mark.parametrize(
    "text", ["0.2692  1 bytes: E4", "0.2692  1 octet: E4", "0.2692 [1] E4", "0.2692 (1) E4"]
)
def test_a_length_before_the_bytes_is_no_byte(text: str) -> None:
    line = parse_line(text)
    assert line is not None
    assert (line.time_s, line.data) == (0.2692, b"\xe4")


def test_a_long_line_is_read_and_one_without_end_refused(load: Load) -> None:
    """Columns of remarks make lines of hundreds of bytes; a megabyte without a line end is none."""
    long = f"E0 31 68 FF # {'x' * 240}\nE0 31 60\n"
    for block in (16, 1 << 20):
        frames = [data for _, data, _ in _lines(load("x.txt", long, block=block))]
        assert frames == [DRIVE, b"\xe0\x31\x60"]
    endless = "E0 31 68 FF\n" + "E0 31 " * 20_000
    with pytest.raises(
        CaptureError,
        match=r"x\.txt:2: a line of more than [\d,]+ bytes; write one frame a line$",
    ):
        _lines(load("x.txt", endless, block=1000))


def test_hours_of_a_recording_are_not_those_of_a_clock() -> None:
    line = parse_line("100:00:01.5 E0 31 68 FF")
    assert line is not None
    assert line.time_s == 360_001.5
