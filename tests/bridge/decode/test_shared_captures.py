"""Captures made by an independent generator, each with its ground truth beside it.

Source: the captures laid beside the repository with `NAME.truth.json` (their README says what
is in them). Messages graded `exact` are to be read right in bytes, parity, left-over bits and
start; messages graded `free` are never to pass as clean where the line shows what was done.
"""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from bridge.bus.event import Burst, FrameHeard, Supply, Tone
from bridge.capture.open import open_capture
from bridge.decode.capture_events import read_traffic

FOLDER = Path(__file__).parents[4] / "shared" / "captures"
FILES = sorted(FOLDER.glob("*.truth.json"))
START_S = 0.2e-3  # s, how near a start must be (the captures' own grading)
EDGE_S = 0.03e-3  # s, how finely an edge of tone is measured, of any carrier within +-20 %
SLIVER_S = 0.05e-3  # s of tone or quiet, a cycle, that no receiver can tell from its neighbours
CLOCK_S = 1e-3  # s, hex text gives its times in milliseconds or rounds them

pytestmark = pytest.mark.skipif(
    not FILES, reason="the captures with ground truth are not laid beside this checkout"
)


def _read(truth_file: Path) -> tuple[dict[str, Any], list[Any], float]:
    truth = json.loads(truth_file.read_text())
    path = str(truth_file).removesuffix(".truth.json")
    sidecar = Path(path + ".json")
    rate_hz = json.loads(sidecar.read_text())["sample_rate"] if sidecar.exists() else None
    events = list(read_traffic(open_capture(path, rate_hz=rate_hz)))
    return truth, events, truth["layout"].get("t0") or 0.0


@pytest.mark.parametrize("truth_file", FILES, ids=lambda path: path.name.partition(".")[0])
def test_every_exact_message_is_read_right(truth_file: Path) -> None:
    truth, events, t0_s = _read(truth_file)
    frames = [event for event in events if isinstance(event, FrameHeard)]
    is_text = truth["view"] == "hex"
    wrong = []
    for n, message in enumerate(truth["messages"]):
        if message["verdict"] != "exact":
            continue
        if is_text:  # as many lines as messages with bytes; times only in some styles
            wanted = [m for m in truth["messages"] if m["bytes"]]
            frame = frames[wanted.index(message)] if message in wanted else None
            if frame is None:
                continue
            near = frame.t_s is None or abs(frame.t_s - message["start"]) <= CLOCK_S
            right = near and list(frame.byte_values) == message["bytes"]
        else:
            start_s = message["start"] + t0_s
            found = [f for f in frames if abs((f.t_s or 0.0) - start_s) <= START_S]
            right = len(found) == 1 and _same(found[0], message)
        if not right:
            wrong.append(f"message {n} at {message['start']:.6f}")
    assert wrong == []


def _same(frame: FrameHeard, message: dict[str, Any]) -> bool:
    left_over = len(frame.bits) % 9
    told = any(fault.code == "left_over_bits" for fault in frame.faults)
    return (
        list(frame.byte_values) == message["bytes"]
        and list(frame.parity_ok) == message["parity_ok"]
        and left_over == message["extra_bits"]
        and told == bool(left_over)
    )


@pytest.mark.parametrize("truth_file", FILES, ids=lambda path: path.name.partition(".")[0])
def test_no_free_message_passes_as_clean(truth_file: Path) -> None:
    truth, events, t0_s = _read(truth_file)
    if truth["view"] == "hex":
        pytest.skip("hex text does not hold what happened on the line")
    passed = []
    for message in truth["messages"]:
        if message["verdict"] != "free" or not _shows(message):
            continue
        start_s = message["start"] + t0_s
        for event in events:
            if not isinstance(event, FrameHeard) or abs((event.t_s or 0.0) - start_s) > CLOCK_S:
                continue
            if not event.faults and all(event.parity_ok):
                passed.append(f"at {message['start']:.6f}: {message['impairments']}")
    assert passed == []


def _shows(message: dict[str, Any]) -> bool:
    """Whether the line shows for certain what was done to a message.

    Pulses and notches are laid over its nominal slots. What stays shows if any tone or quiet then
    lies outside one or two slots of 0.5 +-0.1 ms (from memory), further than the message's own
    jitter and what an edge can be measured to allow. A pulse inside tone or a notch in quiet
    changes nothing; one at an edge may leave every slot within its bounds.
    """
    done = message["impairments"]
    if "blank" in done or not (done.get("pulses") or done.get("notches")):
        return True
    jitter_s = done["jitter"]
    tones, position = [], 0.0
    for bit in message["bits"]:
        tones.append((position, position + done["slot"] * (1 if bit == "1" else 2)))
        position += 3 * done["slot"]
    for at_s, length_s in done.get("pulses", []):
        tones.append((at_s, at_s + length_s))
    tones = _join(sorted(tones), SLIVER_S + jitter_s)
    for at_s, length_s in done.get("notches", []):
        around = [(on, min(off, at_s)) for on, off in tones if on < at_s]
        around += [(max(on, at_s + length_s), off) for on, off in tones if off > at_s + length_s]
        tones = sorted(around)
    tones = [(on, off) for on, off in tones if off - on > SLIVER_S + jitter_s]
    spans = [off - on for on, off in tones]
    spans += [after[0] - before[1] for before, after in pairwise(tones)]
    room_s = jitter_s + EDGE_S
    return any(
        not any(n * 0.4e-3 - room_s <= span <= n * 0.6e-3 + room_s for n in (1, 2))
        for span in spans
    )


def _join(spans: list[tuple[float, float]], least_s: float) -> list[tuple[float, float]]:
    """Spans that touch made one, and those with less between them than `least_s`."""
    joined = spans[:1]
    for on, off in spans[1:]:
        if on - joined[-1][1] < least_s:
            joined[-1] = (joined[-1][0], max(joined[-1][1], off))
        else:
            joined.append((on, off))
    return joined


@pytest.mark.parametrize("truth_file", FILES, ids=lambda path: path.name.partition(".")[0])
def test_bursts_tones_and_supply(truth_file: Path) -> None:
    truth, events, t0_s = _read(truth_file)
    if truth["view"] == "hex":
        pytest.skip("hex text holds messages only")
    bursts = [(event.which, event.t_s - t0_s) for event in events if isinstance(event, Burst)]
    assert [which for which, _ in bursts] == [burst["kind"] for burst in truth["bursts"]]
    for (_, time_s), burst in zip(bursts, truth["bursts"], strict=True):
        assert time_s == pytest.approx(burst["start"], abs=START_S)
    tones = [event.t_s - t0_s for event in events if isinstance(event, Tone)]
    wanted = [time_s for tone in truth["tones"] for time_s in (tone["start"], tone["stop"])]
    assert tones == pytest.approx(wanted, abs=START_S)
    if truth["view"] in ("csv", "real") or truth["file"].endswith("f32-nominal.npy"):
        supply = [event for event in events if isinstance(event, Supply)]
        changes = truth["supply"]
        assert [event.volts for event in supply] == pytest.approx(
            [change["after"] for change in changes], abs=0.25
        )
        starts = [event.t_s - t0_s for event in supply]
        assert starts == pytest.approx([change["start"] for change in changes], abs=3e-3)
