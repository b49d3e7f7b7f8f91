"""How a logic line shows tone: by carrier, by either level of an envelope, or not at all."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.signal.line_form import FormJudge, LineForm, judge_form
from bridge.signal.waveform import Sending, edges_of

HALT = bytes.fromhex("E03160")
Edges = tuple[np.ndarray, np.ndarray]


def edges(times: list[float], first: int = 0) -> Edges:
    """Edges after the level that the line starts with at 0 s."""
    every = np.array([0.0, *times])
    return every, ((np.arange(len(every)) + first) % 2).astype(np.uint8)


def carrier(frames: int = 1, carrier_hz: float = 22_000.0) -> Edges:
    sending = Sending([HALT] * frames, carrier_hz=carrier_hz)
    return edges([time_s for time_s, _ in edges_of(sending)])


def envelope(frames: int = 1, *, inverted: bool = False) -> Edges:
    times = [t for mark in Sending([HALT] * frames).marks for t in (mark.on_s, mark.off_s)]
    return edges(times, int(inverted))


def clock(count: int) -> Edges:
    """An edge every ms: stretches of either level start 2 ms apart, which is no bit."""
    return edges([n * 1e-3 for n in range(1, count)])


@pytest.mark.parametrize("surely", [False, True])
@pytest.mark.parametrize("carrier_hz", [17_600.0, 22_000.0, 26_400.0])
def test_a_carrier_within_20_percent_is_one(carrier_hz: float, surely: bool) -> None:
    assert judge_form(*carrier(2, carrier_hz), surely=surely) is LineForm.CARRIER


@pytest.mark.parametrize("surely", [False, True])
@pytest.mark.parametrize(("inverted", "form"), [(False, LineForm.HIGH), (True, LineForm.LOW)])
def test_the_level_of_an_envelope_shows_in_where_tone_starts(
    inverted: bool, form: LineForm, surely: bool
) -> None:
    assert judge_form(*envelope(3, inverted=inverted), surely=surely) is form


@pytest.mark.parametrize(("surely", "form"), [(False, LineForm.NONE), (True, None)])
def test_a_line_without_tone_stays_open_while_more_may_come(
    surely: bool, form: LineForm | None
) -> None:
    assert judge_form(*clock(150), surely=surely) is form
    assert judge_form(*edges([0.1, 0.2]), surely=surely) is form


@pytest.mark.parametrize(("carrier_hz", "form"), [(15_500.0, None), (28_500.0, None)])
def test_a_quick_line_of_another_rate_is_no_sure_carrier(
    carrier_hz: float, form: LineForm | None
) -> None:
    assert judge_form(*carrier(2, carrier_hz), surely=True) is form
    assert judge_form(*carrier(2, carrier_hz)) is LineForm.CARRIER


def test_a_carrier_with_many_slow_edges_is_not_sure() -> None:
    """More than one in ten spans that are no half period of a carrier."""
    spans = ([22.7e-6] * 8 + [300e-6, 300e-6]) * 20
    times, levels = edges(np.cumsum(spans).tolist())
    assert judge_form(times, levels, surely=True) is None
    assert judge_form(times, levels) is LineForm.CARRIER


@pytest.mark.parametrize(("marks", "form"), [(4, LineForm.HIGH), (3, LineForm.NONE)])
def test_three_steps_of_a_bit_show_an_envelope(marks: int, form: LineForm) -> None:
    """Tone of 1.0, 0.5 and 0.3 ms in turn: quiet starts at uneven times, tone a bit apart."""
    lengths_s = [1.0e-3, 0.5e-3, 0.3e-3]
    times = [0.02 + n * 1.5e-3 + end for n in range(marks) for end in (0.0, lengths_s[n % 3])]
    assert judge_form(*edges(times)) is form


def test_the_level_that_a_capture_starts_with_is_no_step() -> None:
    """The line may have been there for long: three steps are left of four starts."""
    times = [1.5e-3 * n + end for n in range(4) for end in (0.0, 0.5e-3 + 0.05e-3 * n)][1:]
    levels = (np.arange(7) + 1) % 2
    assert judge_form(np.array([0.0, *times[:6]]), levels.astype(np.uint8)) is LineForm.NONE


@pytest.mark.parametrize("size", [1, 7, 100, 10_000])
def test_edges_in_any_pieces_are_judged_by_the_same_first_ones(size: int) -> None:
    """144 edges show an envelope, two messages; the carrier of one shows after as many."""
    for (times, levels), form in (
        (envelope(4), LineForm.HIGH),
        (envelope(4, inverted=True), LineForm.LOW),
        (carrier(2), LineForm.CARRIER),
    ):
        judge = FormJudge()
        for first in range(0, len(times), size):
            found = judge.push(times[first : first + size], levels[first : first + size])
            held = len(judge.held()[0])
            assert held == min(first + size, len(times))
            assert (found is not None) == (held >= 144)
            if found is not None:
                assert found is form
                break
        else:
            pytest.fail("not judged")


def test_a_line_that_is_not_clear_is_judged_after_more_edges_and_at_last_for_good() -> None:
    times, levels = clock(20_100)
    judge = FormJudge()
    for n in range(0, 19_999, 500):
        last = min(n + 500, 19_999)
        assert judge.push(times[n:last], levels[n:last]) is None
    assert judge.push(times[19_999:20_000], levels[19_999:20_000]) is LineForm.NONE


def test_a_line_that_ends_early_is_judged_by_what_there_is() -> None:
    assert FormJudge().finish() is LineForm.NONE
    judge = FormJudge()
    times, levels = envelope()
    assert judge.push(times, levels) is None
    assert judge.finish() is LineForm.HIGH
