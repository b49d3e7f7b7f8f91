"""What an adapter's answers hold, as values: greeting, sent frame, status.

A status is `key=value` words in any order. A missing key is something that the adapter does not
measure; an unknown key belongs to a later version and is passed over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, cast

from bridge.errors import LinkError

CAPABILITIES = {  # what an adapter may list in its greeting
    "pulses": "counts the pulses of the position sensor",
    "tally": "keeps a signed tally of them",
    "motor": "measures motor voltage and current",
    "signal": "measures the signal",
    "listening": "hears frames on the bus",
    "supply": "switches the supply",
    "two-way": "waits for replies",
}


@dataclass(frozen=True, slots=True)
class Greeting:
    """Who answered; `boot` changes when the adapter restarts, `max_bytes` is its longest frame."""

    protocol: int
    firmware: str
    boot: int
    max_bytes: int
    capabilities: frozenset[str]


@dataclass(frozen=True, slots=True)
class Sent:
    """A frame began on the bus at `t_s` of the adapter's clock; `reply` holds bytes or None."""

    t_s: float
    reply: bytes | None = None


@dataclass(frozen=True, slots=True)
class Status:
    """What an adapter measures; None where it has no means to.

    `pulses` only grows. `tally` counts them with the sign of the last motor polarity, west
    positive. `lease_s` is how long the host may be silent, 0 once that ran out; `trips` how often
    it did.
    """

    pulses: int | None
    tally: int | None
    moving: Literal["east", "west"] | None
    motor_v: float | None
    motor_a: float | None
    signal_db: float | None
    supply_v: int
    tone: bool
    lease_s: float
    trips: int
    t_s: float


def read_greeting(words: Sequence[str]) -> Greeting:
    """From `1 FIRMWARE BOOT BYTES CAPABILITY,...`; LinkError when it is none."""
    try:
        protocol, firmware, boot, max_bytes, capabilities = words
        names = frozenset(word for word in capabilities.split(",") if word != "-")
        return Greeting(int(protocol), firmware, int(boot), int(max_bytes), names)
    except ValueError:
        raise _no_sense("greeting", words) from None


def read_sent(words: Sequence[str]) -> Sent:
    """From `T` or `T REPLY`; LinkError when it is neither."""
    try:
        t_s, *reply = words
        return Sent(float(t_s), bytes.fromhex(reply[0]) if reply else None)
    except ValueError:
        raise _no_sense("answer to a frame", words) from None


def read_status(words: Sequence[str]) -> Status:
    """From `key=value` words; LinkError when one makes no sense.

    >>> read_status(("supply_v=13", "trips=0", "t_s=1.5", "pulses=7")).pulses
    7
    """
    values = dict(word.partition("=")[::2] for word in words)
    moving = values.get("moving", "-")
    try:
        return Status(
            pulses=_whole(values, "pulses"),
            tally=_whole(values, "tally"),
            moving=cast('Literal["east", "west"]', moving) if moving in ("east", "west") else None,
            motor_v=_number(values, "motor_v"),
            motor_a=_number(values, "motor_a"),
            signal_db=_number(values, "signal_db"),
            supply_v=_whole(values, "supply_v") or 0,
            tone=values.get("tone") == "on",
            lease_s=_number(values, "lease_s") or 0.0,
            trips=_whole(values, "trips") or 0,
            t_s=_number(values, "t_s") or 0.0,
        )
    except ValueError:
        raise _no_sense("status", words) from None


def _whole(values: Mapping[str, str], key: str) -> int | None:
    return int(values[key]) if key in values else None


def _number(values: Mapping[str, str], key: str) -> float | None:
    return float(values[key]) if key in values else None


def _no_sense(what: str, words: Sequence[str]) -> LinkError:
    return LinkError(
        f"the adapter's {what} makes no sense: {' '.join(words)!r}; bring its firmware and "
        "arcstep to the same release"
    )
