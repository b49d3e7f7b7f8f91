"""Captures made by an independent generator, each with its ground truth beside it.

Source: the captures laid beside the repository with `NAME.truth.json` (their README says what
is in them). Messages graded `exact` are to be read right in bytes, parity, left-over bits and
start; messages graded `free` are never to pass as clean where the line shows what was done.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from bridge.bus.event import Burst, FrameHeard, Supply, Tone
from bridge.capture.open import open_capture
from bridge.traffic import read_traffic

FOLDER = Path(__file__).parents[3] / "shared" / "captures"
FILES = sorted(FOLDER.glob("*.truth.json"))
START_S = 0.2e-3  # s, how near a start must be (the captures' own grading)
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
            right = near and list(frame.octets) == message["bytes"]
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
        list(frame.octets) == message["bytes"]
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
    """Whether the line shows what was done: a pulse inside a tone, or a notch in quiet, does not.

    Pulses and notches that touch an edge of a tone merely move it, within what is allowed.
    """
    slot_s = message["impairments"]["slot"]
    for kind in ("pulses", "notches"):
        for at_s, length_s in message["impairments"].get(kind, []):
            if not _stands_alone(message, kind, at_s, length_s, slot_s):
                return False
    return True


def _stands_alone(
    message: dict[str, Any], kind: str, at_s: float, length_s: float, slot_s: float
) -> bool:
    """Whether a pulse lies wholly in quiet, or a notch wholly in tone, by the nominal slots."""
    room_s = 0.25 * slot_s + 2.0 * message["impairments"]["jitter"]
    position = 0.0
    for bit in message["bits"]:
        tone_s = slot_s * (1 if bit == "1" else 2)
        spans = {"notches": (position, position + tone_s)}
        spans["pulses"] = (position + tone_s, position + 3 * slot_s)
        low_s, high_s = spans[kind]
        if low_s + room_s < at_s and at_s + length_s < high_s - room_s:
            return True
        position += 3 * slot_s
    return False


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
