"""A stand-in for the dish that only notes what it is told: for tests of the adapter in front."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace

import pytest


@dataclass
class NotingDish:
    """Hears frames, answers those in `replies`, counts one pulse a frame; has no physics."""

    time_s: float = 0.0
    heard: list[tuple[float, bytes]] = field(default_factory=list)
    supply: list[tuple[float, int]] = field(default_factory=list)
    tone: list[tuple[float, bool]] = field(default_factory=list)
    replies: dict[bytes, bytes] = field(default_factory=dict)

    def advance(self, to_s: float) -> None:
        assert to_s >= self.time_s, "time went back"
        self.time_s = to_s

    def hear(self, data: bytes) -> bytes | None:
        self.heard.append((self.time_s, data))
        return self.replies.get(data)

    def set_supply(self, volts: int) -> None:
        self.supply.append((self.time_s, volts))

    def set_tone(self, on: bool) -> None:
        self.tone.append((self.time_s, on))

    def readings(self) -> SimpleNamespace:
        return SimpleNamespace(
            time_s=self.time_s,
            pulses=len(self.heard),
            tally=-len(self.heard),
            moving=None,
            motor_v=0.0,
            motor_a=0.0,
            signal_db=12.5,
        )

    def dump(self) -> dict[str, object]:
        return {"count": len(self.heard)}

    @property
    def frames(self) -> list[str]:
        """What was heard, as hex."""
        return [data.hex().upper() for _, data in self.heard]


@pytest.fixture
def noting_dish() -> NotingDish:
    return NotingDish()


@pytest.fixture(scope="session")
def make_noting_dish() -> type[NotingDish]:
    return NotingDish
