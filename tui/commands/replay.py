"""`arcstep replay`: captured traffic into the simulated positioner, and where it took the dish."""

from __future__ import annotations

import json as json_text
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path

from bridge.capture.open import open_capture
from bridge.decode.capture_events import read_traffic
from sim.replay import Replay, ReplayedFrame
from sim.rig.dish import Dish
from sim.yard import Yard
from sim.yard_files import load_yard
from sim.yard_url import DEMO_YARD
from tui.text_table import WIDTH

TEXT_COLUMN = 31  # columns before the sentences (judgement)


def _yard(station: Path | None, taught: bool) -> Yard:
    yard = load_yard(DEMO_YARD if station is None else str(station))
    if taught:
        yard = yard.model_copy(update={"start": yard.start.model_copy(update={"taught": True})})
    return yard


def _lines(step: ReplayedFrame) -> list[str]:
    """A step for a person: the frame and its meaning, then what came of it."""
    time = "" if step.t_s is None else f"{step.t_s:.3f}"
    head = f"{time:>10}  {step.hex:<17}  "
    outcome: str = step.outcome
    if step.outcome == "moved":
        outcome = f"moved {step.count_before} -> {step.count_after}"
        outcome += f", ended by {step.ended_by}" if step.ended_by else ", still moving"
        outcome += f", now at hour angle {step.hour_angle_deg:+.1f}"
    if step.reason:
        outcome += f": {step.reason}"
    if step.reply_hex:
        outcome += f", replied {step.reply_hex}"
    meaning = _indented(step.meaning) or [""]
    return [head + meaning[0].lstrip(), *meaning[1:], *_indented(f"=> {outcome}")]


def _indented(text: str) -> list[str]:
    indent = " " * TEXT_COLUMN
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent)


def run(
    file: str,
    station: Path | None,
    *,
    json: bool = False,
    taught: bool = False,
    faults: Sequence[str] = (),
    channel: str | None = None,
    rate_hz: float | None = None,
) -> int:
    """Replay one capture; 1 when it holds no command at all."""
    dish = Dish(_yard(station, taught), faults=faults)
    capture = open_capture(file, rate_hz=rate_hz)
    steps = moved = refused = 0
    if not json:
        print(f"{'time s':>10}  {'bytes':<17}  meaning, and what came of it")
    for step in Replay(dish).run(read_traffic(capture, channel=channel)):
        steps += 1
        moved += step.outcome == "moved"
        refused += step.outcome == "refused"
        if json:
            print(json_text.dumps(step.to_json()))
        else:
            print(*_lines(step), sep="\n")
    if steps == 0:
        print(f"{file}: no commands to replay", file=sys.stderr)
        return 1
    if not json:
        at = dish.positioner.memory.count
        print(f"\n{steps} frames, {moved} moved the dish, {refused} refused; it rests at {at}.")
        print("Hour angles west positive. A simulation: a real positioner may differ.")
    return 0
