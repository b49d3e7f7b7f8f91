"""What is heard on the bus, in time order: frames, bursts, tone, supply, noise.

Each event gives the JSON object that `decode --json` prints for it; a byte that could not be
recovered is `??` in `hex` and false in `parity_ok`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bridge.bus.frame import LONGEST_READ, Frame, Head, head_of
from bridge.bus.meaning import Meaning, meaning_of

Json = dict[str, object]

FaultCode = Literal[
    "parity",  # a byte whose parity bit does not fit
    "left_over_bits",  # bits after the last whole byte
    "missing_bits",  # a gap in which bits were lost
    "slot_timing",  # tone or quiet outside its slots of 0.5 +-0.1 ms
    "uneven_slots",  # tone or quiet that stands out from the rest of its message
    "notch",  # a hole in a stretch of tone
    "pulse",  # a stray pulse of tone in a quiet slot
    "long_tone",  # tone too long for a bit
    "short_quiet",  # less quiet before or after it than the standard asks
    "carrier_off",  # carrier outside 22 kHz +-20 %
    "level_off",  # level outside 650 +-250 mV peak to peak
    "mended",  # a byte mended by its parity bit
    "too_long",  # more bytes than a message can have
    "cut_off",  # the capture begins or ends inside it
    "unclear",  # bits decided with little margin
    "reply_late",  # a reply later than 150 ms
    "reply_missing",  # a reply was wanted and none came
    "reply_code",  # a reply to a command that asks for none
]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it should be; `detail` says where, measured and allowed."""

    code: FaultCode
    detail: str

    def to_json(self) -> Json:
        """The fault as an object of `decode --json`."""
        return {"code": self.code, "detail": self.detail}


@dataclass(frozen=True, slots=True)
class FrameHeard:
    """A message; a byte that could not be recovered is None in `byte_values`.

    `t_s` is the start of its first tone, None for hex text without times. `level_vpp` is the
    tone's level in volts peak to peak where the capture is in volts. `asked` is the command
    that a reply answers; `of_t_s` is the time of that command, or of what a repeat repeats.
    """

    t_s: float | None
    byte_values: tuple[int | None, ...]
    parity_ok: tuple[bool, ...]
    duration_s: float | None = None
    faults: tuple[Fault, ...] = ()
    supply_v: float | None = None
    carrier_hz: float | None = None
    level_vpp: float | None = None
    asked: Frame | None = None
    of_t_s: float | None = None
    bits: str = ""

    @property
    def frame(self) -> Frame | None:
        """The frame, where every byte was recovered and they are not too many."""
        data = bytes(byte for byte in self.byte_values if byte is not None)
        whole = len(data) == len(self.byte_values)
        return Frame.parse(data) if whole and 1 <= len(data) <= LONGEST_READ else None

    @property
    def head(self) -> Head:
        """The fields that are known even where other bytes are lost."""
        return head_of(self.byte_values)

    @property
    def hex(self) -> str:
        """The bytes as people write them; `??` is one that was lost."""
        return " ".join("??" if byte is None else f"{byte:02X}" for byte in self.byte_values)

    @property
    def meaning(self) -> Meaning:
        """What the frame means; of a frame with lost bytes, only that they are lost."""
        if (frame := self.frame) is not None:
            return meaning_of(frame, self.asked)
        if not self.byte_values:
            sentence = "Broken off before its first byte was whole."
        elif None in self.byte_values:
            sentence = "A byte was not recovered, so it is not interpreted."
        else:
            sentence = f"{len(self.byte_values)} bytes: too long for a message."
        return Meaning("unreadable", {}, sentence)

    def to_json(self, file: str) -> Json:
        """The line of `decode --json` for this frame."""
        head, meaning = self.head, self.meaning
        return {
            "file": file,
            "t_s": None if self.t_s is None else round(self.t_s, 7),
            "kind": "frame",
            "hex": self.hex,
            "parity_ok": list(self.parity_ok),
            "duration_s": None if self.duration_s is None else round(self.duration_s, 7),
            "role": "reply" if head.is_reply else "command",
            "repeat": head.is_repeat,
            "reply_wanted": head.reply_wanted,
            "address": head.address,
            "command": head.command,
            "name": meaning.name,
            "args": meaning.args,
            "meaning": meaning.sentence,
            "supply_v": None if self.supply_v is None else round(self.supply_v, 2),
            "carrier_hz": None if self.carrier_hz is None else round(self.carrier_hz, 1),
            "of_t_s": None if self.of_t_s is None else round(self.of_t_s, 7),
            "faults": [fault.to_json() for fault in self.faults],
        }


@dataclass(frozen=True, slots=True)
class Burst:
    """A tone burst: A is 12.5 ms of plain tone, B nine slots of tone at bit spacing."""

    t_s: float
    which: Literal["A", "B"]

    def to_json(self, file: str) -> Json:
        """The line of `decode --json` for it."""
        return {"file": file, "t_s": round(self.t_s, 7), "kind": "burst", "which": self.which}


@dataclass(frozen=True, slots=True)
class Tone:
    """Continuous tone begins or ends."""

    t_s: float
    on: bool

    def to_json(self, file: str) -> Json:
        """The line of `decode --json` for it."""
        return {"file": file, "t_s": round(self.t_s, 7), "kind": "tone", "on": self.on}


@dataclass(frozen=True, slots=True)
class Supply:
    """The supply level at the start of a capture, and each change of it."""

    t_s: float
    volts: float

    def to_json(self, file: str) -> Json:
        """The line of `decode --json` for it."""
        return {
            "file": file,
            "t_s": round(self.t_s, 7),
            "kind": "supply",
            "volts": round(self.volts, 2),
        }


@dataclass(frozen=True, slots=True)
class Noise:
    """Something in the band of the carrier that cannot be read, and why."""

    t_s: float
    duration_s: float
    detail: str

    def to_json(self, file: str) -> Json:
        """The line of `decode --json` for it."""
        return {
            "file": file,
            "t_s": round(self.t_s, 7),
            "kind": "noise",
            "duration_s": round(self.duration_s, 7),
            "detail": self.detail,
        }


Event = FrameHeard | Burst | Tone | Supply | Noise
