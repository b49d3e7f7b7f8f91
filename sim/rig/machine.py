"""Motor, load, ends, reed and clamp under one list of events, exact between them.

An arc is a stretch of motion under constant drive and load. It lasts from where it begins until an
event ends it, and everything asked in between is computed from its beginning. So looking more
often, or advancing in smaller slices, changes nothing. Standstill is a separate state.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from sim.rig.arc import (
    distance_to_rest,
    ease,
    time_to_distance,
    time_to_rest,
    time_to_speed,
)
from sim.rig.ends import Ends, EndState
from sim.rig.load import Weight, Wind
from sim.rig.motor import Plant
from sim.rig.reed import Reed

JAM_FRICTION = 40.0  # times the usual friction, more than any motor overcomes (judgement)

Event = Literal["edge", "rest", "boundary", "switch", "stop", "amps", "trip", "gust", "none"]


@dataclass(frozen=True, slots=True)
class Trace:
    """One arc as it began: w' = a - k w from place x and speed w at t."""

    t_s: float
    x: float
    w: float
    a: float
    k: float


@dataclass(slots=True)
class Handicap:
    """What a fault does to the machine itself."""

    reversed_pair: bool = False
    open_circuit: bool = False
    sheared: bool = False  # the motor turns, the actuator does not
    jammed: bool = False
    free_a: float = 0.6  # A, a motor that turns nothing


class Machine:
    """The actuator at place `x`, and the dish that hangs on it through a clamp with play."""

    def __init__(
        self,
        plant: Plant,
        ends: Ends,
        *,
        weight: Weight,
        wind: Wind,
        reed: Reed,
        x: float,
        dish: float | None = None,
        slip: float = 0.0,
        backlash: float = 0.0,
        brake: bool = False,
        trip_a: float = math.inf,
        trip_s: float = 0.6,
        handicap: Handicap | None = None,
        on_edge: Callable[[float, bool, int, int], None] | None = None,
        keep_trace: bool = False,
    ) -> None:
        self.plant = plant
        self.ends = EndState.at(ends, x)
        self.weight = weight
        self.wind = wind
        self.reed = reed
        self.slip = slip
        self.backlash = backlash
        self.brake = brake
        self.trip_a, self.trip_s = trip_a, trip_s
        self.handicap = handicap or Handicap()
        self.on_edge = on_edge
        self.trace: list[Trace] | None = [] if keep_trace else None
        self.t, self.x, self.w = 0.0, x, 0.0
        self.drive = 0
        self.cell = weight.cell(x)
        self._play = x if dish is None else dish
        self._direction = 0  # of motion: -1 east, 1 west, 0 at rest
        self._a = self._k = 0.0  # of the present arc, along the motion
        self._over_s: float | None = None  # since when the current is over the trip
        self._tripped = False
        self._begin()

    # ---- reading ---------------------------------------------------------------------------

    @property
    def polarity(self) -> int:
        """Direction the motor is really asked to turn, a reversed pair included."""
        return -self.drive if self.handicap.reversed_pair else self.drive

    @property
    def powered(self) -> bool:
        """True while current can flow: driven, and the circuit closed that way."""
        return (
            self.drive != 0
            and not self.handicap.open_circuit
            and not self.ends.blocks(self.polarity)
        )

    def x_at(self, t_s: float) -> float:
        """Place of the actuator at a time within the present arc."""
        if self._direction == 0:
            return self.x
        e1, e2 = ease(self._k, t_s - self.t)
        return self.x + self._direction * (abs(self.w) * e1 + self._a * e2)

    def w_at(self, t_s: float) -> float:
        """Speed in counts/s, west positive."""
        if self._direction == 0:
            return 0.0
        e1, _ = ease(self._k, t_s - self.t)
        w0 = abs(self.w)
        return self._direction * max(0.0, w0 + (self._a - self._k * w0) * e1)

    def dish_at(self, t_s: float) -> float:
        """Place of the dish in counts: behind the actuator by the clamp's play, ahead by its slip.

        Arriving westward it stands where the actuator says; arriving eastward `backlash` west.
        """
        x = self.x_at(t_s)
        return min(max(self._play, x), x + self.backlash) + self.slip

    def amps_at(self, t_s: float) -> float:
        """Current in A that the supply delivers; 0 where the circuit is open."""
        if not self.powered:
            return 0.0
        if self.handicap.sheared:
            return self.handicap.free_a
        return self.plant.current_a(self.w_at(t_s), self.polarity)

    def volts_at(self, t_s: float) -> float:
        """At the motor's terminals, supply and cable drop taken off."""
        if self.drive == 0 or self.handicap.open_circuit:
            return 0.0
        sag = self.amps_at(t_s) * (self.plant.loop_ohm - self.plant.winding_ohm)
        return max(0.0, self.plant.supply_v - sag)

    @property
    def moving(self) -> bool:
        """Whether the actuator turns, powered or coasting."""
        return self._direction != 0

    # ---- commands --------------------------------------------------------------------------

    def set_drive(self, t_s: float, drive: int) -> None:
        """Drive east (-1), west (1) or not at all (0) from `t_s` on, an instant not yet passed."""
        if drive != self.drive:
            self._land(t_s)
            self.drive = drive
            self._tripped = False
            self._over_s = None
            self._begin()

    def set_plant(self, t_s: float, plant: Plant) -> None:
        """Another supply from `t_s` on."""
        if plant != self.plant:
            self._land(t_s)
            self.plant = plant
            self._begin()

    # ---- events ----------------------------------------------------------------------------

    def step(self) -> Event:
        """Let the next event happen, at `next_s`."""
        t: float = self.next_s
        event: Event = self.next_event
        if event == "edge":
            direction = self._direction
            truth = self.reed.cross(direction)
            self._schedule()
            if self.on_edge is not None:
                self.on_edge(t, self.reed.closed, direction, truth)
        elif event == "amps":
            self._over_s = None if self._over_s is not None else t
            self._amps_s = math.inf
            self._schedule()
        elif event == "trip":
            self._tripped = True
            self._schedule()
        elif event == "gust":
            self._land(t)
            self.wind.turn()
            self._begin()
        elif event == "rest":
            self._land(
                t, self.x + self._direction * distance_to_rest(abs(self.w), self._a, self._k)
            )
            self.w = 0.0
            self._begin()
        else:
            self._land(t, self._bound_x)
            if event == "stop":
                self.w = 0.0
            elif event == "switch":
                self.ends.toggle(self._bound_name)
            else:
                cell = round(self._bound_x / self.weight.cell_counts)
                self.cell = cell if self._direction > 0 else cell - 1
            self._begin()
        return event

    def _land(self, t_s: float, x: float | None = None) -> None:
        """End the arc at `t_s`, exactly at `x` where that is known."""
        w = self.w_at(t_s)
        self.x = self.x_at(t_s) if x is None else x
        self.t, self.w = t_s, w
        self._play = min(max(self._play, self.x), self.x + self.backlash)

    def _begin(self) -> None:
        """Work out the arc that begins here and now."""
        plant, powered = self.plant, self.powered
        static, friction = plant.static, plant.friction
        if self.handicap.jammed:
            static, friction = static * JAM_FRICTION, friction * JAM_FRICTION
        pull = plant.per_nm * (self.weight.in_cell(self.cell) + self.wind.now_nm)
        if powered:
            pull += plant.drive * self.polarity
        direction = (self.w > 0.0) - (self.w < 0.0)
        if direction == 0 and abs(pull) > static:
            direction = 1 if pull > 0.0 else -1
        if self.handicap.sheared or (
            direction and (self._stop_x(direction) - self.x) * direction <= 0.0
        ):
            direction, self.w = 0, 0.0
        self._direction = direction
        self._a = direction * pull - friction
        if powered:
            self._k = plant.k_drive
        else:
            self._k = plant.k_brake if self.brake and self.drive == 0 else plant.k_coast
        if self.trace is not None:
            self.trace.append(Trace(self.t, self.x, self.w, direction * self._a, self._k))
        self._find_boundary()
        self._find_amps()
        self._schedule()

    def _stop_x(self, direction: int) -> float:
        return self.ends.stop_at(direction, self.slip)

    def _find_boundary(self) -> None:
        """Find the next place in the direction of motion where the arc ends."""
        direction = self._direction
        self._bound_event: Event = "none"
        self._bound_x, self._bound_name = direction * math.inf, ""
        if direction == 0:
            return
        switch_x, which = self.ends.next_switch(self.x, direction)
        choices: tuple[tuple[float, Event], ...] = (
            (self._stop_x(direction), "stop"),
            (switch_x, "switch"),
            (self.weight.boundary(self.cell, direction), "boundary"),
        )
        for place, event in choices:
            if (self._bound_x - place) * direction > 0.0 or self._bound_event == "none":
                self._bound_x, self._bound_event = place, event
        self._bound_name = which

    def _find_amps(self) -> None:
        """Find whether the current is over the trip here, and when in this arc it crosses it."""
        self._amps_s = math.inf
        if not self.powered or self.handicap.sheared or self.trip_a == math.inf:
            self._over_s = None
            return
        along = self._direction * self.polarity
        over = self.plant.current_a(self.w, self.polarity) > self.trip_a
        if not over:
            self._over_s = None
        elif self._over_s is None:
            self._over_s = self.t
        threshold = self.plant.speed_at_current(self.trip_a) * along
        self._amps_s = self.t + time_to_speed(abs(self.w), self._a, self._k, threshold)

    def _schedule(self) -> None:
        """Find the first of all events that may come."""
        self.next_s: float = math.inf
        self.next_event: Event = "none"
        direction = self._direction
        if direction:
            w0 = abs(self.w)
            edge_x = self.reed.next_edge(direction)
            event: Event = "edge"
            place = edge_x
            if (edge_x - self._bound_x) * direction > 0.0:
                place, event = self._bound_x, self._bound_event
            after = time_to_distance(w0, self._a, self._k, (place - self.x) * direction)
            if after == math.inf:
                after, event = time_to_rest(w0, self._a, self._k), "rest"
            self.next_s, self.next_event = self.t + after, event
            if self._amps_s < self.next_s:
                self.next_s, self.next_event = self._amps_s, "amps"
        if self.wind.until_s < self.next_s:
            self.next_s, self.next_event = self.wind.until_s, "gust"
        if self._over_s is not None and not self._tripped:
            trip_s = self._over_s + self.trip_s
            if trip_s < self.next_s:
                self.next_s, self.next_event = trip_s, "trip"
