"""Faults that clean messages do not deserve, and flaws that are told: a table over rate and noise.

    python tests/benchmarks/false_faults.py [--messages N] [--rates 48000,96000] [--db 16,24,40]

Clean messages have slots anywhere that the standard allows, edges that jitter as far as it allows,
carriers within +-20 %, of several shapes, some in 8 bits. The flaws are holes in the middle of
tone and pulses in the middle of quiet. Es is the energy of tone in one slot. Not counted are
faults by which noise is told as noise: a bit in doubt, mended, or a parity that does not fit.
"""

from __future__ import annotations

import argparse
from collections import Counter

import numpy as np

from bridge.bus.event import FrameHeard
from bridge.bus.parity import bits_of
from bridge.decode.line_decoder import SampleDecoder

HONEST = {"mended", "unclear", "parity"}
FUNDAMENTALS = {"sine": 1.0, "square": 4 / np.pi, "triangle": 8 / np.pi**2, "saw": 2 / np.pi}
FLAWS = (("hole", 80e-6), ("hole", 150e-6), ("pulse", 80e-6), ("pulse", 150e-6))
HIGHEST = 0.46  # of the sample rate: carriers above it are another matter


def make_spans(rng: np.random.Generator, data: bytes) -> list[tuple[float, float]]:
    slot_s = rng.uniform(0.42e-3, 0.58e-3)
    jitter_s = (min(slot_s - 0.402e-3, 0.598e-3 - slot_s)) / 2 * rng.uniform(0, 1)
    spans, at_s = [], 25e-3 + rng.uniform(0, 1e-3)
    for bit in bits_of(data):
        early_s, late_s = rng.uniform(-jitter_s, jitter_s, 2)
        spans.append((at_s + early_s, at_s + (1 if bit else 2) * slot_s + late_s))
        at_s += 3 * slot_s
    return spans


def touch(
    rng: np.random.Generator, spans: list[tuple[float, float]], kind: str, length_s: float
) -> list[tuple[float, float]]:
    n = int(rng.integers(1, len(spans) - 1))
    on, off = spans[n] if kind == "hole" else (spans[n][1], spans[n + 1][0])
    at_s = (on + off - length_s) / 2
    if kind == "hole":
        return [*spans[:n], (on, at_s), (at_s + length_s, off), *spans[n + 1 :]]
    return [*spans[: n + 1], (at_s, at_s + length_s), *spans[n + 1 :]]


def make_wave(
    rng: np.random.Generator, spans: list[tuple[float, float]], rate_hz: float, es_n0_db: float
) -> tuple[np.ndarray, float]:
    """(samples, supply): the supply is 0 where the recording is AC coupled."""
    shapes = list(FUNDAMENTALS) if rate_hz > 150e3 else ["sine", "triangle"]
    shape = str(rng.choice(shapes))
    level = rng.uniform(0.21, 0.44)
    carrier_hz = rng.uniform(17_700.0, min(26_300.0, HIGHEST * rate_hz))
    at_s = np.arange(round((spans[-1][1] + 25e-3) * rate_hz)) / rate_hz
    turn = (carrier_hz * at_s + rng.uniform(0, 1)) % 1.0
    wave = {
        "sine": np.sin(2 * np.pi * turn),
        "square": np.where(turn < 0.5, 1.0, -1.0),
        "triangle": 4 * np.abs(turn - 0.5) - 1,
        "saw": 2 * turn - 1,
    }[shape]
    tone = np.zeros(len(at_s), dtype=bool)
    for on, off in spans:
        tone[np.searchsorted(at_s, on) : np.searchsorted(at_s, off)] = True
    size = level * FUNDAMENTALS[shape]
    deviation = np.sqrt(size**2 * 0.5e-3 * rate_hz / 4 / 10 ** (es_n0_db / 10))
    samples = np.where(tone, level * wave, 0.0) + deviation * rng.standard_normal(len(at_s))
    if rng.random() < 0.3:  # 8 bits
        full = float(rng.choice([3.0, 6.5]))
        samples = np.round(samples * 128 / full) / 128 * full
    supply = float(rng.choice([0.0, 13.0, 18.0]))
    return (samples + supply).astype(np.float32), supply


def codes_of(wave: np.ndarray, rate_hz: float, volts: bool, data: bytes) -> tuple[set[str], bool]:
    """(codes of the faults told, whether the message was read right)."""
    decoder = SampleDecoder(rate_hz, volts=volts)
    events = [*decoder.push(wave), *decoder.finish()]
    frames = [event for event in events if isinstance(event, FrameHeard)]
    codes = {fault.code for frame in frames for fault in frame.faults} - HONEST
    return codes, [frame.byte_values for frame in frames] == [tuple(data)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--messages", type=int, default=40)
    parser.add_argument("--rates", default="48000,96000,192000,1000000")
    parser.add_argument("--db", default="16,20,24,30,40")
    options = parser.parse_args()
    heads = " | ".join(f"{kind} {length_s * 1e6:.0f} us" for kind, length_s in FLAWS)
    print(f"{options.messages} messages a figure; flaws: share that is told")
    print(f"  kHz   dB | clean: undeserved, misread | {heads}")
    total: Counter[str] = Counter()
    for rate_hz in map(float, options.rates.split(",")):
        for es_n0_db in map(float, options.db.split(",")):
            rng = np.random.default_rng([round(rate_hz), round(10 * es_n0_db)])
            shares, undeserved, misread = [], 0, 0
            for flaw in (None, *FLAWS):
                told = 0
                for _ in range(options.messages):
                    data = bytes([0xE0, *rng.integers(0, 256, int(rng.integers(2, 6))).tolist()])
                    spans = make_spans(rng, data)
                    if flaw is not None:
                        spans = touch(rng, spans, *flaw)
                    wave, supply = make_wave(rng, spans, rate_hz, es_n0_db)
                    codes, right = codes_of(wave, rate_hz, supply > 0, data)
                    if flaw is not None:
                        told += bool(codes) or not right
                        continue
                    misread += not right
                    undeserved += right and bool(codes)
                    total.update(codes if right else ())
                if flaw is not None:
                    shares.append(f"{told / options.messages:12.2f}")
            print(
                f"{rate_hz / 1e3:5.0f} {es_n0_db:4.0f} | {undeserved:17d} {misread:8d} | "
                + " | ".join(shares),
                flush=True,
            )
    print("undeserved, by code:", dict(total) or "none")


if __name__ == "__main__":
    main()
