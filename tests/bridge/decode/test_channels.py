"""Which channel carries the bus, and which the supply beside it; mistaken for neither."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from bridge.bus.event import Burst, Event, Fault, FrameHeard, Supply
from bridge.capture.open import open_capture
from bridge.capture.trace import Capture, Edges, Samples
from bridge.decode.capture_events import read_traffic
from bridge.decode.channels import (
    CLEAR_SCORE,
    ChannelScore,
    choose_channels,
    find_bus,
    score_channel,
)
from bridge.errors import CaptureError
from bridge.signal.waveform import Sending, edges_of, samples_of

RATE_HZ = 100e3
FRAMES = [bytes.fromhex(text) for text in ("E03168FF", "E0316B07", "E23164")]
SENDING = Sending(FRAMES)
BUS = np.concatenate(list(samples_of(SENDING, RATE_HZ)))
AC = BUS - 13
COUNT = len(BUS)
RNG = np.random.default_rng(11)
CHANGE = 0.06  # s, 13 V to 18 V during the first message and before the second


def samples(
    name: str, values: np.ndarray, rate_hz: float = RATE_HZ, says: bool = False, piece: int = 0
) -> Samples:
    def chunks() -> Iterator[np.ndarray]:
        some = values.astype(np.float32)
        step = piece or len(some)
        for start in range(0, len(some), step):
            yield some[start : start + step]

    return Samples(name, rate_hz, 0.0, True, chunks, states_volts=says)


def logic(name: str = "tone", lead_s: float = 0.0) -> Edges:
    pairs = [(0.0, 0), *((lead_s + time_s, level) for time_s, level in edges_of(SENDING))]

    def chunks() -> Iterator[tuple[np.ndarray, np.ndarray]]:
        times = np.array([time_s for time_s, _ in pairs])
        yield times, np.array([level for _, level in pairs], np.uint8)

    return Edges(name, 1e-7, 0.0, pairs[-1][0], chunks)


def stepped(
    rate_hz: float, at_s: float = CHANGE, low: float = 13.1, high: float = 18.2
) -> np.ndarray:
    at = np.arange(round(COUNT / RATE_HZ * rate_hz)) / rate_hz
    return np.where(at < at_s, low, high) + 0.02 * RNG.standard_normal(len(at))


def supplies(events: list[Event]) -> list[Supply]:
    return [event for event in events if isinstance(event, Supply)]


def frames(events: list[Event]) -> list[FrameHeard]:
    return [event for event in events if isinstance(event, FrameHeard)]


@pytest.mark.parametrize(
    ("rate_hz", "piece"),
    [(100e3, 0), (100e3, 777), (5e3, 7), (1e3, 0), (1e3, 1), (200.0, 1), (200.0, 777)],
)
@pytest.mark.parametrize("bus", ["ac", "logic"])
def test_the_supply_beside_is_found_and_reported(rate_hz: float, piece: int, bus: str) -> None:
    beside = samples("CH2", stepped(rate_hz), rate_hz, piece=piece)
    carrier = samples("CH1", AC) if bus == "ac" else logic()
    capture = Capture("x.csv", (carrier, beside))
    chosen = choose_channels(capture)
    assert (chosen.bus.name, chosen.supply) == (carrier.name, beside)
    events = list(read_traffic(capture))
    first, change = supplies(events)
    assert first.t_s == 0.0
    assert first.volts == pytest.approx(13.1, abs=0.1)
    assert change.t_s == pytest.approx(CHANGE, abs=max(2e-3, 2 / rate_hz))
    assert change.volts == pytest.approx(18.2, abs=0.1)
    heard = frames(events)
    assert [frame.hex for frame in heard] == [data.hex(" ").upper() for data in FRAMES]
    supply_v = [frame.supply_v for frame in heard]
    assert supply_v[1:] == pytest.approx([18.2, 18.2], abs=0.1)
    times = [event.t_s for event in events if event.t_s is not None]
    assert times == sorted(times)


def test_changes_come_while_the_bus_is_silent() -> None:
    """Ten seconds of nothing on the bus, and a supply that changes every second."""
    quiet = np.zeros(round(10 * RATE_HZ))
    at = np.arange(10_000) / 1e3
    volts = np.where(np.floor(at) % 2 == 0, 13.0, 18.0)
    capture = Capture(
        "x", (samples("CH1", np.concatenate((AC, quiet)), piece=4096), samples("CH2", volts, 1e3))
    )
    events = list(read_traffic(capture))
    assert [event.t_s for event in supplies(events)] == pytest.approx(list(range(10)), abs=2e-3)
    times = [event.t_s for event in events if event.t_s is not None]
    assert times == sorted(times)


def test_the_supply_on_the_bus_itself_comes_first() -> None:
    capture = Capture("x", (samples("CH1", BUS), samples("supply", stepped(1e3), 1e3)))
    chosen = choose_channels(capture)
    assert (chosen.bus.name, chosen.supply) == ("CH1", None)
    (only,) = supplies(list(read_traffic(capture)))
    assert only.volts == pytest.approx(13.0, abs=0.1)


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("CH2", np.full(COUNT, 5.0)),  # a logic supply
        ("CH2", np.full(COUNT, 15.0)),  # between the two levels
        ("CH2", np.full(COUNT, 36.0)),  # a motor's supply
        ("CH2", np.full(COUNT, 0.0)),
        ("CH2", 15 + 5 * np.sin(2 * np.pi * 3 * np.arange(COUNT) / RATE_HZ)),  # swings through
        ("CH2", np.linspace(11, 20, COUNT)),
        ("temperature", np.full(COUNT, 19.6)),
        ("hour angle", np.full(COUNT, 12.5)),
        ("motor current", np.full(COUNT, 13.0)),
        ("supply", np.full(COUNT, 1.3)),  # behind a divider: its scale is not known
    ],
)
def test_another_slow_channel_is_not_taken_for_the_supply(name: str, values: np.ndarray) -> None:
    capture = Capture("x", (samples("CH1", AC), samples(name, values)))
    assert choose_channels(capture).supply is None
    events = list(read_traffic(capture))
    assert supplies(events) == []
    assert {frame.supply_v for frame in frames(events)} == {None}


@pytest.mark.parametrize("name", ["CH2", "column 3", "Channel 2", "samples 2", "volts", "bus_volts",
                                  "LNB", "supply", "13/18", "Vcc", "2", "A"])  # fmt: skip
def test_names_that_may_be_a_supply(name: str) -> None:
    capture = Capture("x", (logic(), samples(name, stepped(1e3), 1e3)))
    supply = choose_channels(capture).supply
    assert supply is not None
    assert supply.name == name


def test_a_named_supply_goes_before_a_plain_channel() -> None:
    battery, lnb = samples("CH2", np.full(500, 12.4), 1e3), samples("LNB", stepped(1e3), 1e3)
    assert choose_channels(Capture("x", (logic(), battery, lnb))).supply is lnb
    off = samples("LNB", np.zeros(500), 1e3)
    assert choose_channels(Capture("x", (logic(), off))).supply is off


def test_parts_of_full_scale_are_no_volts() -> None:
    """A WAV file gives no volts; what it holds beside the bus cannot be given in them."""
    half = Samples("right", RATE_HZ, 0.0, False, lambda: iter([np.full(COUNT, 0.52, np.float32)]))
    assert choose_channels(Capture("x.wav", (samples("left", AC), half))).supply is None


def test_a_unit_says_what_a_name_does_not() -> None:
    odd = samples("probe red", stepped(1e3), 1e3, says=True)
    assert choose_channels(Capture("x", (logic(), odd))).supply is odd


def test_the_sentence_says_what_was_taken_for_what() -> None:
    others = [samples(f"CH{n}", np.full(500, 1.0), 1e3) for n in range(3, 12)]
    capture = Capture("x.csv", (logic(), samples("CH2", stepped(1e3), 1e3), *others))
    assert choose_channels(capture).describe(capture) == (
        "x.csv: bus on channel 'tone', supply on channel 'CH2' (18.2 V at first); not used: 'CH3',"
        " 'CH4', 'CH5', 'CH6', 'CH7', 'CH8' and 3 more"
    )


def test_a_table_of_two_channels_and_one_with_logic(tmp_path: Path) -> None:
    rows = [f"{n / RATE_HZ:.5f},{ac:.4f},{v:.2f}" for n, (ac, v) in
            enumerate(zip(AC.tolist(), stepped(RATE_HZ).tolist(), strict=True))]  # fmt: skip
    path = tmp_path / "scope.csv"
    path.write_text("Time (s),CH1 (V),CH2 (V)\n" + "\n".join(rows) + "\n")
    capture = open_capture(str(path))
    events = list(read_traffic(capture))
    assert [round(event.volts) for event in supplies(events)] == [13, 18]
    assert frames(events)[1].supply_v == pytest.approx(18.2, abs=0.1)
    millivolts = tmp_path / "scope.tsv"
    body = "\n".join(f"{r.split(',')[0]}\t{r.split(',')[1]}\t{float(r.split(',')[2]) * 1e3:.0f}"
                     for r in rows)  # fmt: skip
    millivolts.write_text("Time (s)\tCH1 (V)\tCH2 (mV)\n" + body + "\n")
    assert [
        round(e.volts) for e in supplies(list(read_traffic(open_capture(str(millivolts)))))
    ] == [
        13,
        18,
    ]


def test_a_real_variable_beside_a_comparator(tmp_path: Path) -> None:
    changes = [(time_s, f"{level}!") for time_s, level in edges_of(SENDING)]
    changes += [(CHANGE, "r18.2 v"), (CHANGE + 0.1, "r18.1 v")]
    body = "".join(f"#{round(time_s * 1e6)}\n{value}\n" for time_s, value in sorted(changes))
    path = tmp_path / "x.vcd"
    path.write_text(
        "$timescale 1 us $end\n$var wire 1 ! tone $end\n$var real 64 v lnb $end\n"
        f"$enddefinitions $end\n#0\n0!\nr13.1 v\n{body}#{round(SENDING.length_s * 1e6)}\n"
    )
    events = list(read_traffic(open_capture(str(path))))
    assert [(e.t_s, round(e.volts, 1)) for e in supplies(events)] == [
        (0.0, 13.1),
        (pytest.approx(CHANGE, abs=2e-3), 18.2),
    ]


def test_damage_is_raised_by_the_bus_after_all_that_lies_before(tmp_path: Path) -> None:
    """The pass over the supply reads ahead; what it meets there must not cost a frame."""
    volts = stepped(RATE_HZ).tolist()
    rows = [f"{n / RATE_HZ:.5f},{ac:.4f},{v:.2f}"
            for n, (ac, v) in enumerate(zip(AC.tolist(), volts, strict=True))]  # fmt: skip
    rows.append("0.9,oops,oops")
    path = tmp_path / "scope.csv"
    path.write_text("Time (s),CH1 (V),CH2 (V)\n" + "\n".join(rows) + "\n")
    for block in (20_000, 1 << 20):
        events = read_traffic(open_capture(str(path), block=block))
        heard: list[Event] = []
        with pytest.raises(CaptureError, match=rf"scope\.csv:{len(rows) + 1}: 'oops' is no number"):
            heard.extend(events)
        assert len(frames(heard)) == len(FRAMES)
        assert len(supplies(heard)) == 2


@pytest.mark.parametrize("tau_s", [0.02, 0.1, 0.5, 1.0, 3.0])
@pytest.mark.parametrize("step_v", [5.0, 13.0, 18.0, -5.0, -18.0])
def test_a_step_that_decays_is_no_supply(tau_s: float, step_v: float) -> None:
    """What is AC coupled shows a change of supply as a step that decays: its volts are unknown."""
    lead = np.zeros(round(0.3 * RATE_HZ))
    after = step_v * np.exp(-np.arange(round(6 * RATE_HZ)) / RATE_HZ / tau_s)
    wave = np.concatenate((lead, after))
    wave[10_000 : 10_000 + COUNT] += AC
    wave += 0.005 * np.random.default_rng(2).standard_normal(len(wave))
    events = list(read_traffic(Capture("x", (samples("CH1", wave, piece=5000),))))
    assert supplies(events) == []
    assert {frame.supply_v for frame in frames(events)} == {None}


def test_a_supply_that_is_switched_on_is_reported() -> None:
    wave = np.concatenate((np.zeros(30_000), BUS, np.full(60_000, 13.0)))
    first, *rest = supplies(list(read_traffic(Capture("x", (samples("CH1", wave, piece=999),)))))
    assert rest == []
    assert first.t_s == pytest.approx(0.3, abs=2e-3)
    assert first.volts == pytest.approx(13.0, abs=0.1)


def _busy(name: str, until_s: float) -> Edges:
    """A serial line at 115200 baud, busy throughout."""
    rng = np.random.default_rng(5)

    def chunks() -> Iterator[tuple[np.ndarray, np.ndarray]]:
        last_s = 0.0
        level = 1
        while last_s < until_s:
            spans = rng.integers(1, 9, 5000) / 115_200 + (rng.random(5000) < 0.1) * 4e-4
            times = last_s + np.cumsum(spans)
            yield times, (np.arange(5000) + level).astype(np.uint8) & 1
            last_s = float(times[-1])

    return Edges(name, 1e-7, 0.0, until_s, chunks)


def test_bytes_count_for_a_channel_and_faults_against_it() -> None:
    score = ChannelScore()
    score.add(FrameHeard(0.0, (0xE0, 0x31), (True, True)))
    assert (score.points, score.faulty) == (2.0, 0)
    faults = (Fault("parity", "x"), Fault("notch", "x"))
    score.add(FrameHeard(0.0, (0xE0, 0x31, None), (True, False, False), faults=faults))
    assert (score.points, score.faulty) == (pytest.approx(2.0 + 1 - 2 * 0.5 - 2 * 0.05), 4)
    score.add(Burst(0.0, "A"))
    score.add(Supply(0.0, 13.0))
    assert (score.points, score.faulty) == (pytest.approx(2.0), 4)


@pytest.mark.parametrize(
    ("points", "faulty", "is_junk"), [(-0.1, 201, True), (-0.1, 200, False), (0.0, 201, False)]
)
def test_many_faults_and_no_points_are_other_traffic(
    points: float, faulty: int, is_junk: bool
) -> None:
    assert ChannelScore(points, faulty).is_junk == is_junk


@pytest.mark.parametrize("trace", [samples("bus", BUS), logic()])
def test_a_span_knows_whether_the_trace_ended_in_it(trace: Samples | Edges) -> None:
    reached_s: list[float] = []
    whole = score_channel(trace, 60.0, reached_s.append)
    assert whole.is_over
    assert whole.points == 11.0  # three frames of four, four and three bytes
    assert all(0 < time_s < 60 for time_s in reached_s)
    assert not score_channel(samples("bus", BUS, piece=1000), 0.1).is_over


def test_damage_is_the_end_of_a_span() -> None:
    def chunks() -> Iterator[np.ndarray]:
        yield BUS.astype(np.float32)
        raise CaptureError("x: damaged")

    score = score_channel(Samples("bus", RATE_HZ, 0.0, True, chunks), 60.0)
    assert (score.is_over, score.points) == (True, 11.0)


def test_40_khz_are_enough_for_the_slowest_carrier_and_less_are_refused() -> None:
    """17.6 kHz, less than half of it."""
    for rate_hz, is_able in ((40e3, True), (39_999.0, False)):
        capture = Capture("x", (samples("bus", AC, rate_hz),))
        if is_able:
            assert find_bus(capture).name == "bus"
            continue
        with pytest.raises(CaptureError, match="channel 'bus' has 39999 samples a second"):
            find_bus(capture)


def test_a_capture_without_channels_is_refused() -> None:
    with pytest.raises(CaptureError, match=r"^x: holds no channel; record the bus again$"):
        find_bus(Capture("x", ()))


def test_other_traffic_is_given_up_early_and_taken_for_the_bus_never() -> None:
    look = score_channel(_busy("serial", 300.0), 2.0)
    assert look.is_junk
    assert look.points < CLEAR_SCORE
    capture = Capture("x", (_busy("serial", 300.0), logic(lead_s=250.0)))
    assert find_bus(capture).name == "tone"


@pytest.mark.parametrize("name", ["x.vcd", "x.csv"])
def test_a_span_of_a_line_at_rest_is_no_whole_pass(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    if name == "x.vcd":
        head = "$timescale 1 ms $end\n$var wire 1 ! rest $end\n$var wire 1 % other $end\n"
        path.write_text(
            head + "$enddefinitions $end\n#0\n0!\n0%\n"
            + "".join(f"#{n}\n{n & 1}%\n" for n in range(1, 100_000))
        )  # fmt: skip
    else:
        path.write_text(
            "time,rest,other\n" + "".join(f"{n * 5e-5:.5f},0,{n & 1}\n" for n in range(100_000))
        )
    capture = open_capture(str(path), block=10_000)
    rest = capture.trace("rest")
    score_channel(rest, 0.2)
    assert capture.progress() < 0.1
    reached_s: list[float] = []
    for _ in read_traffic(capture, channel="rest", progress=reached_s.append):
        pass
    assert len(reached_s) > 50  # how far it is shows, though nothing changes
    assert reached_s == sorted(reached_s)


def test_a_look_is_enough_where_the_bus_shows_early(load_long: Callable[[], Capture]) -> None:
    capture = load_long()
    assert choose_channels(capture).bus.name == "tone"
    assert capture.progress() < 0.2


@pytest.fixture
def load_long(tmp_path: Path) -> Callable[[], Capture]:
    def load() -> Capture:
        changes = [(time_s, f"{level}!") for time_s, level in edges_of(SENDING)]
        changes += [(n * 1e-3, f"{n & 1}%") for n in range(1, 60_000)]
        body = "".join(f"#{round(time_s * 1e7)}\n{value}\n" for time_s, value in sorted(changes))
        path = tmp_path / "long.vcd"
        path.write_text(
            "$timescale 100 ns $end\n$var wire 1 % other $end\n$var wire 1 ! tone $end\n"
            f"$enddefinitions $end\n#0\n0!\n0%\n{body}"
        )
        return open_capture(str(path), block=20_000)

    return load
