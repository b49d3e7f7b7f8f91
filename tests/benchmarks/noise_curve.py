"""Frame errors against noise, beside the ideal receiver's: the whole path, samples to frames.

    python tests/benchmarks/noise_curve.py [--frames N] [--rate HZ] [--db 13,14] [--noise MINUTES]

Each frame has 4 random bytes, a carrier anywhere in 22 kHz +-20 %, phases of the stretches of
tone at random, and begins anywhere between samples. Es is the energy of tone in one slot.
Ideal columns (computed): D1, D2, D3 from the closed forms and integrals of the theory of
envelope detection; D2 knows level and noise and shares one phase within a stretch of tone.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np

from bridge.bus.event import FrameHeard
from bridge.bus.keying.mark import marks_of
from bridge.decode.line_decoder import SampleDecoder

SLOT_S = 0.5e-3
LEVEL = 0.325  # V, half of 650 mV peak to peak
QUIET_S = 20e-3
# Bit error rates of the ideal receivers D1, D2, D3, 36 bits a frame (computed).
IDEAL_BER = {
    10: (2.686e-2, 1.429e-2, 6.344e-2), 12: (5.672e-3, 2.732e-3, 1.925e-2),
    13: (1.937e-3, 8.861e-4, 8.379e-3), 14: (5.063e-4, 2.199e-4, 2.950e-3),
    16: (1.160e-5, 4.526e-6, 1.532e-4),
}  # fmt: skip


@dataclass(slots=True)
class Tally:
    """What became of the frames sent at one level of noise."""

    sent: int = 0
    hard_wrong: int = 0  # wrong, or right only by mending
    mended_wrong: int = 0  # wrong after mending
    silent_wrong: int = 0  # wrong, with every parity right and no mending
    seconds: float = 0.0


def make_frame(
    rng: np.random.Generator, rate_hz: float, es_n0_db: float, data: bytes
) -> tuple[np.ndarray, float]:
    """(samples, start in s) of one frame among noise."""
    carrier_hz = rng.uniform(17_600.0, min(26_400.0, 0.47 * rate_hz))
    start_s = QUIET_S + rng.uniform(0.0, 1e-3)
    length_s = start_s + len(data) * 13.5e-3 + QUIET_S
    at_s = np.arange(round(length_s * rate_hz)) / rate_hz
    tone = np.zeros(len(at_s))
    for mark in marks_of(data, start_s):
        inside = (at_s >= mark.on_s) & (at_s < mark.off_s)
        phase = rng.uniform(0.0, 2 * np.pi)
        tone[inside] = LEVEL * np.sin(2 * np.pi * carrier_hz * at_s[inside] + phase)
    deviation = np.sqrt(LEVEL**2 * SLOT_S * rate_hz / 4 / 10 ** (es_n0_db / 10))
    return (tone + deviation * rng.standard_normal(len(tone))).astype(np.float32), start_s


def judge(tally: Tally, frames: list[FrameHeard], data: bytes) -> None:
    tally.sent += 1
    mended = [f for frame in frames for f in frame.faults if f.code == "mended"]
    right = (
        len(frames) == 1 and frames[0].byte_values == tuple(data) and len(frames[0].bits) % 9 == 0
    )
    tally.mended_wrong += not right
    tally.hard_wrong += not right or bool(mended)
    silent = any(not f.faults and all(f.parity_ok) and f.byte_values != tuple(data) for f in frames)
    tally.silent_wrong += silent


def run(es_n0_db: float, frames: int, rate_hz: float, seed: int = 1) -> Tally:
    rng = np.random.default_rng([seed, round(100 * es_n0_db)])
    tally = Tally()
    for _ in range(frames):
        data = bytes([0xE0 + int(rng.integers(4)), *rng.integers(0, 256, 3).tolist()])
        samples, _ = make_frame(rng, rate_hz, es_n0_db, data)
        decoder = SampleDecoder(rate_hz)
        begun = time.perf_counter()
        events = [*decoder.push(samples), *decoder.finish()]
        tally.seconds += time.perf_counter() - begun
        judge(tally, [event for event in events if isinstance(event, FrameHeard)], data)
    return tally


def listen_to_noise(minutes: float, rate_hz: float, seed: int = 7) -> int:
    """How many frames plain noise passes for."""
    rng = np.random.default_rng(seed)
    decoder = SampleDecoder(rate_hz)
    heard = 0
    for _ in range(round(minutes * 60)):
        noise = (0.1 * rng.standard_normal(round(rate_hz))).astype(np.float32)
        heard += sum(isinstance(event, FrameHeard) for event in decoder.push(noise))
    return heard + sum(isinstance(event, FrameHeard) for event in decoder.finish())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=400)
    parser.add_argument("--rate", type=float, default=96e3)
    parser.add_argument("--db", default="12,12.9,14,14.9,16")
    parser.add_argument("--noise", type=float, default=0.0, help="minutes of plain noise as well")
    options = parser.parse_args()
    print(f"{options.frames} frames of 4 bytes a row, {options.rate:g} samples a second")
    print("Es/N0 dB | FER hard | FER mended | silent wrong | ms/frame | ideal D1     D2     D3")
    for es_n0_db in map(float, options.db.split(",")):
        tally = run(es_n0_db, options.frames, options.rate)
        ber = IDEAL_BER.get(round(es_n0_db)) if es_n0_db == round(es_n0_db) else None
        ideal = "".join(f"{1 - (1 - p) ** 36:7.4f}" for p in ber) if ber else ""
        print(
            f"{es_n0_db:8.1f} | {tally.hard_wrong / tally.sent:8.4f} | "
            f"{tally.mended_wrong / tally.sent:10.4f} | {tally.silent_wrong:12d} | "
            f"{tally.seconds / tally.sent * 1e3:8.1f} | {ideal}",
            flush=True,
        )
    if options.noise:
        heard = listen_to_noise(options.noise, options.rate)
        print(f"frames heard in {options.noise:g} minutes of plain noise: {heard}")


if __name__ == "__main__":
    main()
