"""What the constants of the signal path do: each moved down and up, beside its value.

    python tests/benchmarks/signal_constants.py [NAME ...] [--messages N] [--by 1.4]

Two figures for each value, over the same generated messages: frames wrong, of messages near the
noise (Es/N0 of 10.5 and 11.5 dB, 96 kHz); and verdicts wrong, of clean and flawed messages at 17
to 30 dB: faults that are undeserved, messages misread, and holes and pulses of 0.11 ms not
reported. A constant is chosen by this study only if no neighbour has better figures. Where both
neighbours give the same figures, the study does not choose it.
"""

from __future__ import annotations

import argparse
import importlib
from types import ModuleType

import numpy as np
from false_faults import codes_of, make_spans, make_wave, touch
from noise_curve import run

MODULES = {
    "weak.timing": ("ACCEPT_NATS", "FIT_SHARE", "BIT_NATS", "SURE_NATS"),
    "weak.sequence": ("STEADY_JITTER_S", "LOOSE_JITTER_S", "REACH", "LEAST_SPREAD", "NEAR_S"),
    "weak.decision": ("WHOLE_NATS", "LOSS", "LOSS_NATS", "LOST_SHARE", "LOST_NATS"),
    "weak.estimate": ("AVERAGE_S", "USUAL_SHARE", "FEWEST_CELLS", "MOVED_HZ", "MOVED"),
    "weak.tone": ("SHARE", "LEAST_RUN_S"),
    "holes": ("HOLE_NATS", "PULSE_NATS", "HOLE_S", "HOLE_SHARE", "PULSE_SHARE", "STEP_S",
              "GUARD_S", "REACH_S", "SEQUENCE_BLUR_S"),
    "correlator": ("ROUGHNESS", "SURE_NATS", "ENOUGH", "LEAST_PURITY"),
    "refine": ("LEAST_S", "FINER_S"),
    "supply": ("BASELINE_S",),
    "activity": ("WINDOW_S", "ACTIVE_DEVIATIONS", "HOLD_DEVIATIONS", "MARGIN_S", "WEAK_RATIO",
                 "WEAK_MARGIN_S"),
    "floor": ("SPREAD_NOISE",),
}  # fmt: skip
WEAK_DB = (10.5, 11.5)
CLEAR_DB = (17.0, 20.0, 30.0)
RATES_HZ = (48e3, 96e3)
FLAWS = ((None, 0.0), ("hole", 110e-6), ("pulse", 110e-6))


def count_weak(messages: int) -> int:
    """Frames wrong near the noise."""
    return sum(run(decibel, messages, 96e3).mended_wrong for decibel in WEAK_DB)


def count_clear(messages: int) -> int:
    """Wrong verdicts on clear messages, with and without flaws."""
    wrong = 0
    for rate_hz in RATES_HZ:
        for decibel in CLEAR_DB:
            rng = np.random.default_rng([round(rate_hz), round(decibel)])
            for n in range(messages):
                kind, length_s = FLAWS[n % len(FLAWS)]
                data = bytes([0xE0, *rng.integers(0, 256, 3).tolist()])
                spans = make_spans(rng, data)
                if kind is not None:
                    spans = touch(rng, spans, kind, length_s)
                wave, supply = make_wave(rng, spans, rate_hz, decibel)
                codes, right = codes_of(wave, rate_hz, supply > 0, data)
                wrong += (bool(codes) or not right) != (kind is not None)
    return wrong


def figures(module: ModuleType, name: str, value: float, messages: int) -> str:
    """Both counts with a constant set to a value, which is put back."""
    usual = getattr(module, name)
    try:
        setattr(module, name, value)
        return f"{count_weak(messages):4d} {count_clear(messages):4d}"
    finally:
        setattr(module, name, usual)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="constants; default: all")
    parser.add_argument("--messages", type=int, default=20)
    parser.add_argument("--by", type=float, default=1.4)
    options = parser.parse_args()
    weak, clear = len(WEAK_DB), len(CLEAR_DB) * len(RATES_HZ)
    total = f"{weak * options.messages} weak, {clear * options.messages} clear messages"
    print(f"wrong of {total}; as it is: {count_weak(options.messages)}", end=" ")
    print(count_clear(options.messages), flush=True)
    for room, names in MODULES.items():
        module = importlib.import_module(f"bridge.signal.{room}")
        for name in names:
            if options.names and name not in options.names:
                continue
            value = getattr(module, name)
            moved = [
                figures(module, name, type(value)(value * factor), options.messages)
                for factor in (1 / options.by, options.by)
            ]
            print(
                f"{room:14} {name:18} {value:<8g} lower {moved[0]}  higher {moved[1]}", flush=True
            )


if __name__ == "__main__":
    main()
