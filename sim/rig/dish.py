"""One simulated dish: machine, positioner and sky, advanced together and exact at any instant.

It knows no wall clock. Whatever happens does so at an event; asking in between changes nothing.
"""

from __future__ import annotations

import math
import random
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from bridge.bus.standard import SUPPLY_LOW_V, SUPPLY_THRESHOLD_V
from bridge.errors import BadInput, YardError
from sim.rig.faults import effects_of
from sim.rig.load import Wind
from sim.rig.machine import Handicap, Machine
from sim.rig.motor import Plant, plant_of
from sim.rig.positioner import Personality, Positioner
from sim.rig.positioner_memory import Entry, Memory
from sim.rig.power_off import (
    DishState,
    PlaceState,
    coasted,
    load_state,
    store_on_neighbour,
    teach,
)
from sim.rig.reed import Ledger, Reed, Sensor, register
from sim.sky.beam import Reflector
from sim.sky.link_budget import Downlink, LinkBudget
from sim.sky.mount import Mount, modified_mount

if TYPE_CHECKING:
    from sim.yard import Yard

Way = Literal["east", "west"]
HORIZONTAL_DEG, VERTICAL_DEG = -45.0, 45.0  # deg, a servo without trim (common practice)
METER_S = 0.1  # s between two figures of a meter: about ten a second (common practice)
LNB_SHARE = 0.15  # dB lost at 18 V for each ohm of a bad cable (judgement)
LOST_SHARE = 0.05  # chance of losing a frame while moving, for each ohm of a bad cable (judgement)
RESTART_SHARE = 0.01  # chance that the inrush restarts it, for each ohm of a bad cable (judgement)
RESTART_S = 0.5  # s until it works again (judgement)


@dataclass(frozen=True, slots=True)
class Readings:
    """What an adapter with every tap fitted sees."""

    time_s: float
    pulses: int  # only grows
    tally: int  # pulses signed by the last motor polarity, west positive
    moving: Way | None  # the motor has power
    motor_v: float
    motor_a: float
    signal_db: float


class Dish:
    """A rig under a sky, with faults; `state` is what `dump` gave before."""

    def __init__(
        self,
        yard: Yard,
        *,
        faults: Sequence[str] = (),
        seed: int = 0,
        state: Mapping[str, object] | None = None,
    ) -> None:
        self.yard = yard
        self._linkage = yard.linkage
        self._rows = {row.number: row for row in yard.position}
        self.seed = seed
        self.time_s = 0.0
        self.pulses = 0
        self.ledger = Ledger()
        self.effects = effects_of(faults)
        loaded = load_state(state, yard)
        memory = self._memory(loaded)
        self._sensor = Sensor(
            miss_west=self.effects.miss_west,
            miss_east=self.effects.miss_east,
            double=self.effects.double,
            dead=self.effects.sensor_dead,
            seed=seed,
        )
        self.machine = self._machine(loaded.dish)
        self.positioner = Positioner(
            self._personality(),
            memory,
            amps=self.machine.amps_at,
            count_at_angle=self._count_at_angle,
        )
        self.tally = memory.count
        self._counting = yard.positioner.counting
        self._truth_offset = memory.count - self._truth()
        self._lost_frames = random.Random(f"frames {seed}")
        self._restarts = random.Random(f"restarts {seed}")
        self._restart_s = math.inf
        self._link_budget = self._set_up_link_budget()

    # ---- parts ------------------------------------------------------------------

    def _plant(self, bus_v: int = SUPPLY_LOW_V) -> Plant:
        supply_v = bus_v if self.yard.rig.feed == "coax" else self.yard.rig.supply_v
        return plant_of(self.yard.motor, supply_v=supply_v, extra_ohm=self.effects.cable_ohm)

    def _machine(self, place: PlaceState | None) -> Machine:
        yard, effects, rig = self.yard, self.effects, self.yard.rig
        reed = Reed(rig.magnet_closes, rig.magnet_opens)
        x = float(yard.start.count) if place is None else place.actuator
        reed.place(x)
        if place is not None:
            reed.gap, reed.closed = place.gap, place.closed
        return Machine(
            self._plant(),
            yard.hard_ends(),
            weight=yard.weight,
            wind=Wind(rig.gust_nm, rig.gust_s, self.seed),
            reed=reed,
            x=x,
            dish=None if place is None else place.clamp,
            slip=self._slip_counts(),
            backlash=rig.backlash_counts,
            brake=rig.brake,
            trip_a=rig.trip_a,
            trip_s=rig.trip_s,
            handicap=Handicap(
                reversed_pair=effects.reversed_pair,
                open_circuit=effects.open_circuit,
                sheared=effects.sheared,
                jammed=effects.jammed,
                free_a=rig.free_a,
            ),
            on_edge=self._on_edge,
        )

    def _slip_counts(self) -> float:
        per_mm = getattr(self.yard.mount, "counts_per_mm", 0.0)
        return float(self.effects.slip_mm * per_mm)

    def _personality(self) -> Personality:
        personality = self.yard.personality()
        if self.effects.impatient:
            habits = replace(personality.habits, sign_first=True)
            personality = replace(personality, habits=habits)
        if self.effects.polarity_swapped:
            personality = replace(personality, passing="inverted")
        return personality

    def _memory(self, state: DishState) -> Memory:
        if state.positioner is not None:
            memory = state.positioner.to_memory()
        else:
            start = self.yard.start
            memory = Memory(count=start.count, reference=self.yard.positioner.reference)
            if start.taught:
                teach(memory, self.yard)
        memory.count -= round(self.effects.lost_counts)
        store_on_neighbour(memory, self.yard, self.effects)
        return memory

    def _set_up_link_budget(self) -> LinkBudget:
        yard = self.yard
        dish = yard.dish
        if dish is None:
            raise YardError("dish: is missing; a yard needs one")
        mount: Mount = modified_mount(yard.site)
        if self.effects.twist_deg:
            mount = replace(mount, twist_deg=self.effects.twist_deg)
        downlinks = [
            Downlink(row.longitude_deg, yard.sky.eirp_dbw)
            for row in yard.position
            if row.longitude_deg is not None
        ]
        reflector = Reflector(dish.diameter_m, dish.frequency_ghz)
        return LinkBudget(yard.site, mount, reflector, downlinks, obstacles=yard.obstacles)

    def _count_at_angle(self, hour_angle_deg: float) -> float:
        try:
            return self._linkage.count(hour_angle_deg)
        except BadInput:
            return math.nan

    # ---- time ------------------------------------------------------------------------------

    def advance(self, to_s: float) -> None:
        """Advance through every event up to and at `to_s`. Raises ValueError for the past."""
        if to_s < self.time_s:
            raise ValueError(f"time {to_s:g} s is before the dish's {self.time_s:g} s")
        machine, travel = self.machine, self.positioner.travel
        while True:
            due = min(machine.next_s, travel.wake_s, self._restart_s)
            if due > to_s:
                break
            self.time_s = due
            if self._restart_s <= due:
                self._restart_s = math.inf
                self.positioner.set_power(True)
            elif machine.next_s <= travel.wake_s:
                if machine.step() == "trip":
                    travel.on_trip(due)
            else:
                travel.on_wake(due)
            self._obey(due)
        self.time_s = to_s

    def _obey(self, t_s: float) -> None:
        drive = self.positioner.travel.drive
        if drive == self.machine.drive:
            return
        self.machine.set_drive(t_s, drive)
        chance = RESTART_SHARE * self.effects.cable_ohm
        if drive and chance > 0.0 and self._restarts.random() < chance:
            self.positioner.set_power(False)  # the inrush took the voltage away
            self._restart_s = t_s + RESTART_S
            self.machine.set_drive(t_s, 0)

    def _on_edge(self, t_s: float, closing: bool, direction: int, truth: int) -> None:
        travel = self.positioner.travel
        pulses = register(
            self.ledger,
            self._sensor,
            self._counting,
            closing=closing,
            direction=direction,
            truth=truth,
            polarity=travel.polarity,
        )
        if pulses == 0:
            return
        self.pulses += pulses
        self.tally += pulses * travel.polarity
        if self.positioner.powered:
            travel.on_pulse(t_s, pulses)
        else:
            self.ledger.unpowered -= pulses * travel.polarity

    # ---- from outside ----------------------------------------------------------------------

    def hear(self, data: bytes) -> bytes | None:
        """A frame that ended on the bus now; the reply's bytes when one is wanted."""
        if self._is_lost_in_sag():
            return None
        reply = self.positioner.hear(self.time_s, data)
        self._obey(self.time_s)
        return reply

    def _is_lost_in_sag(self) -> bool:
        """Whether the motor sags the supply on a bad cable so far that the frame is lost."""
        if self.effects.cable_ohm <= 0.0 or not self.machine.drive:
            return False
        chance = min(0.95, LOST_SHARE * self.effects.cable_ohm)
        return self._lost_frames.random() < chance

    def set_supply(self, volts: int) -> None:
        """What the receiver puts on the cable: 0, 13 or 18 V; a motor fed over it follows."""
        self.positioner.bus_v = volts
        if self.yard.rig.feed == "coax":
            self.set_power(volts > 0)
            self.machine.set_plant(self.time_s, self._plant(volts))

    def set_tone(self, on: bool) -> None:
        """Continuous tone chooses the band at the LNB; it changes nothing at the dish."""

    def set_power(self, on: bool) -> None:
        """The supply of the positioner goes or comes back; a dish in motion coasts on uncounted."""
        self._restart_s = math.inf
        self.positioner.set_power(on)
        self._obey(self.time_s)

    # ---- reading ---------------------------------------------------------------------------

    @property
    def journal(self) -> deque[Entry]:
        """What the positioner made of each frame, oldest first."""
        return self.positioner.journal

    @property
    def horizontal(self) -> bool | None:
        """The polarization that is selected at the LNB; None without a supply."""
        return self.positioner.horizontal

    @property
    def hour_angle_deg(self) -> float:
        """Where the mount really stands, west positive."""
        return self._linkage.hour_angle_deg(self.machine.dish_at(self.time_s))

    @property
    def count_error(self) -> int:
        """Counts by which the positioner's counter is wrong since the start: the ledger's total."""
        return self.positioner.memory.count - self._truth() - self._truth_offset

    def _truth(self) -> int:
        """The count of a sensor without fault, by the yard's way of counting."""
        reed = self.machine.reed
        return reed.edges if self._counting == "edges" else reed.truth

    def readings(self) -> Readings:
        """What every tap reads now."""
        t = self.time_s
        drive = self.machine.drive
        moving: Way | None = None
        if drive:
            moving = "west" if drive > 0 else "east"
        return Readings(
            time_s=t,
            pulses=self.pulses,
            tally=self.tally,
            moving=moving,
            motor_v=self.machine.volts_at(t),
            motor_a=self.machine.amps_at(t),
            signal_db=self.signal_db(),
        )

    def signal_db(self) -> float:
        """What the meter shows now; its ripple depends on the time alone."""
        wanted = self.positioner.bus_v
        given = self.positioner.horizontal
        if given is None:
            return self._link_budget.meter.floor_db
        beat = math.floor(self.time_s / METER_S)
        ripple = random.Random(f"meter {self.seed} {beat}").gauss(0.0, 1.0)
        rain_db = self.yard.sky.rain_db
        if wanted > SUPPLY_THRESHOLD_V:
            rain_db += LNB_SHARE * self.effects.cable_ohm
        return self._link_budget.signal_db(
            self.hour_angle_deg,
            feed_deg=self._feed_deg(given),
            horizontal=wanted > SUPPLY_THRESHOLD_V,
            rain_db=rain_db,
            noise=ripple,
        )

    def _feed_deg(self, horizontal: bool) -> float:
        """Angle of the probe in deg: that of the polarization, and the selected position's trim."""
        row = self._rows.get(self.positioner.memory.selected or 0)
        if horizontal:
            return 90.0 + (0.0 if row is None else row.horizontal_deg - HORIZONTAL_DEG)
        return 0.0 if row is None else row.vertical_deg - VERTICAL_DEG

    def dump(self) -> dict[str, object]:
        """What is left when everything is switched off now, as JSON holds it.

        That is the memory of the positioner, and the place to which the dish coasts.
        """
        machine = self.machine
        if machine.drive or machine.moving:
            machine = coasted(machine, self.time_s)
        state = DishState(
            positioner=self.positioner.memory.to_state(),
            dish=PlaceState(
                actuator=machine.x,
                clamp=machine.dish_at(machine.t) - machine.slip,
                gap=machine.reed.gap,
                closed=machine.reed.closed,
            ),
        )
        return state.model_dump(mode="json")
