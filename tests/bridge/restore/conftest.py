"""A simulated dish behind a bus without wall time, whose link can break at any call."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bridge.bus.standard import BYTE_S, QUIET_S
from bridge.errors import LinkLost
from bridge.link.dialogue import Event, Stopped
from bridge.link.status import Greeting, Sent, Status
from bridge.station.model import Station
from sim.rig.dish import Dish
from sim.yard_files import load_yard

STOP = bytes.fromhex("E03160")


class InstantBus:
    """What the adapter's client offers, straight on a dish, in the dish's own time."""

    def __init__(self, dish: Dish, *, boot: int = 1) -> None:
        self.dish = dish
        self.greeting = Greeting(1, "instant", boot, 8, frozenset(("pulses", "tally", "two-way")))
        self.shift = 0
        self.trips = 0
        self.meter = False
        self.calls = 0
        self.breaks_at: int | None = None  # the call at which the link breaks
        self.breaks_after = False  # ... having been carried out all the same
        self.heard: list[Event] = []
        self.frames: list[str] = []
        self.log: list[str] = []  # frames, and "stop" for each bare stop

    def _call(self, act: Callable[[], object]) -> object:
        self.calls += 1
        breaks = self.breaks_at is not None and self.calls >= self.breaks_at
        if breaks and not (self.breaks_after and self.calls == self.breaks_at):
            raise LinkLost("the port went away")
        result = act()
        if breaks:
            raise LinkLost("the port went away")
        return result

    def send(self, data: bytes, *, reply_s: float = 0.0) -> Sent:
        def act() -> Sent:
            dish = self.dish
            dish.advance(dish.time_s + len(data) * BYTE_S)
            self.frames.append(data.hex().upper())
            self.log.append(self.frames[-1])
            reply = dish.hear(data)
            dish.advance(dish.time_s + QUIET_S)
            return Sent(dish.time_s, reply if reply_s else None)

        return self._call(act)

    def status(self) -> Status:
        def act() -> Status:
            dish, drive = self.dish, self.dish.machine.drive
            return Status(
                pulses=dish.pulses,
                tally=dish.tally + self.shift,
                moving={-1: "east", 0: None, 1: "west"}[drive],
                motor_v=dish.machine.volts_at(dish.time_s),
                motor_a=dish.machine.amps_at(dish.time_s),
                signal_db=dish.signal_db() if self.meter and not drive else None,  # slow
                supply_v=13,
                tone=False,
                lease_s=1.0,
                trips=self.trips,
                t_s=dish.time_s,
            )

        return self._call(act)

    def events(self) -> list[Event]:
        events, self.heard = self.heard, []
        return events

    def stop(self) -> None:
        def act() -> None:
            self.log.append("stop")
            self.dish.hear(STOP)

        self._call(act)
        self.heard.append(Stopped(self.dish.time_s))  # as an adapter reports every stop

    def tally(self, count: int) -> None:
        self.shift = count - self.dish.tally

    def sleep(self, dt_s: float) -> None:
        self.dish.advance(self.dish.time_s + dt_s)

    def lapse(self) -> None:
        """The host is gone: the lease runs out, the adapter halts the dish, which comes to rest."""
        self.breaks_at = None
        self.sleep(1.0)
        if self.dish.machine.drive:
            self.trips += 1
            self.dish.hear(STOP)
        self.sleep(10.0)


@pytest.fixture(scope="session")
def instant_bus() -> type[InstantBus]:
    return InstantBus


@pytest.fixture(scope="session")
def larkmere():
    return load_yard("larkmere")


@pytest.fixture(scope="session")
def station(larkmere) -> Callable[..., Station]:
    """Larkmere's list as a station file holds it: some or all of its numbers."""

    def make(
        *numbers: int, approach: str | None = "west", limits: tuple[int, int] | None = (45, 985)
    ) -> Station:
        taught = larkmere.taught_counts()
        rows = [row.model_dump() for row in larkmere.position]
        content = {
            "station": larkmere.station.model_dump(),
            "mount": larkmere.mount.model_dump(),
            "position": [
                row | {"count": taught[row["number"]]}
                for row in rows
                if not numbers or row["number"] in numbers
            ],
        }
        if limits:
            content["limits"] = {"east": limits[0], "west": limits[1]}
        if approach:
            content["positioner"] = {"approach": approach}
        return Station.model_validate(content)

    return make
