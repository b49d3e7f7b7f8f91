"""A yard: a station file with a rig, its ends, a positioner and a sky; read, checked, refused."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

from pydantic import Field

from bridge.errors import BadInput, YardError
from bridge.station.model import Controller, LinearMount, Station
from bridge.textfile.checked import Table, parse_checked
from bridge.textfile.places import line_of
from sim.rig.ends import Ends
from sim.rig.linkage import Linkage
from sim.rig.load import Weight, weight_of
from sim.rig.motor import Motor, fit_motor
from sim.rig.positioner import Manner, Passing, Personality
from sim.rig.positioner_motion import DriveSettings
from sim.rig.reed import Counting
from sim.sky.belt import Obstacle, Site, hidden_by
from sim.sky.mount import hour_angle_deg
from sim.station_rig import linkage_of, obstacles_of, site_of

Report = Callable[[str, str], None]  # a key and what is wrong with it

SOFTEST_RATIO = 10.0  # how many times faster than the speed the current must settle (judgement)
CELL_COUNTS = 20.0  # counts of a cell of constant weight (judgement)


class RigTable(Table):
    """Motor, gear, clamp and reed as a technician measures them on level ground."""

    feed: Literal["own", "coax"] = "own"  # a supply of its own, or the receiver's 13 or 18 V
    speed_mm_s: float | None = Field(default=None, gt=0, le=50)  # of a linear actuator
    speed_deg_s: float | None = Field(default=None, gt=0, le=20)  # of a worm drive
    coast_counts: float = Field(default=2.0, gt=0, le=50)
    running_a: float = Field(default=1.4, gt=0, le=20)
    supply_v: float = Field(default=36.0, gt=0, le=60)
    winding_ohm: float = Field(default=3.0, gt=0, le=100)
    supply_ohm: float = Field(default=1.0, ge=0, le=100)
    inductance_mh: float = Field(default=0.0, ge=0, le=100)
    ke: float = Field(default=0.105, gt=0, le=10)
    viscous_nms: float = Field(default=2e-5, ge=0)
    static_ratio: float = Field(default=1.1, ge=1.0, le=3.0)
    free_a: float = Field(default=0.6, gt=0, le=20)
    trip_a: float = Field(default=5.0, gt=0, le=50)
    trip_s: float = Field(default=0.6, gt=0, le=10)
    backlash_counts: float = Field(default=3.0, ge=0, le=50)
    brake: bool = False
    weight: tuple[tuple[float, float], ...] = ()
    gust_nm: float = Field(default=0.0, ge=0)
    gust_s: float = Field(default=8.0, ge=0.5, le=600)
    magnet_closes: float = Field(default=0.20, gt=0, lt=0.5)
    magnet_opens: float = Field(default=0.28, gt=0, lt=0.5)


class EndsTable(Table):
    """Counts of what stops the actuator."""

    east_switch: float
    west_switch: float
    east_stop: float
    west_stop: float
    fence: float | None = None
    hysteresis: float = Field(default=1.0, gt=0, le=20)


class PositionerTable(Controller):
    """The controller's settings and manners."""

    counting: Counting = "approach"
    coast_counts: int = Field(default=2, ge=0, le=50)
    nudge_s: float = Field(default=0.09, gt=0, le=1)
    quiet_s: float = Field(default=0.6, ge=0.1, le=5)
    reverse_s: float = Field(default=0.6, ge=0, le=10)
    stall_s: float = Field(default=3.0, ge=0.5, le=30)
    retries: int = Field(default=1, ge=0, le=5)
    approach: Literal["east", "west", "either"] = "either"
    approach_counts: int = Field(default=8, ge=1, le=100)
    reference: int = 0
    most_positions: int = Field(default=99, ge=1, le=255)
    two_way: bool = True
    angles: bool = False
    passing: Passing = "passed"
    reset_forgets: tuple[Literal["positions", "limits"], ...] = ()
    manners: tuple[Manner, ...] = ()


class StartTable(Table):
    """Where the dish stands the first time, and whether the list is in the positioner already."""

    count: int = 0
    taught: bool = False


class SkyTable(Table):
    """What the satellites of the list send."""

    eirp_dbw: float = Field(default=50.0, ge=0, le=80)
    rain_db: float = Field(default=0.0, ge=0, le=30)


class Yard(Station):
    """A station with everything that makes a rig of it."""

    rig: RigTable
    ends: EndsTable  # type: ignore[assignment]  # of a rig the ends themselves, not a reading
    positioner: PositionerTable = PositionerTable()
    start: StartTable = StartTable()
    sky: SkyTable = SkyTable()

    @property
    def site(self) -> Site:
        """Where the mount stands."""
        return site_of(self)

    @property
    def obstacles(self) -> tuple[Obstacle, ...]:
        """What hides part of the sky from the site."""
        return obstacles_of(self)

    @property
    def linkage(self) -> Linkage:
        """Counts to hour angles; YardError where the mount cannot be built."""
        linkage = linkage_of(self)
        if linkage is None:
            raise YardError("mount: is missing; a yard needs one")
        return linkage

    @property
    def motor(self) -> Motor:
        """The motor that shows the rig's readings; ValueError where none does."""
        rig, mount = self.rig, self.mount
        if isinstance(mount, LinearMount):
            speed = (rig.speed_mm_s or 0.0) * mount.counts_per_mm
        else:
            speed = (rig.speed_deg_s or 0.0) * (mount.counts_per_deg if mount else 0.0)
        return fit_motor(
            speed_counts_s=speed,
            coast_counts=rig.coast_counts,
            running_a=rig.running_a,
            supply_v=rig.supply_v,
            winding_ohm=rig.winding_ohm,
            supply_ohm=rig.supply_ohm,
            ke=rig.ke,
            viscous_nms=rig.viscous_nms,
            static_ratio=rig.static_ratio,
            inductance_h=rig.inductance_mh / 1000.0,
        )

    @property
    def weight(self) -> Weight:
        """The dish's weight in cells of CELL_COUNTS, from stop to stop."""
        return weight_of(self.rig.weight, CELL_COUNTS, self.ends.east_stop, self.ends.west_stop)

    def hard_ends(self) -> Ends:
        """End switches, stops and fence, as the machine meets them."""
        ends = self.ends
        return Ends(
            ends.east_switch,
            ends.west_switch,
            ends.east_stop,
            ends.west_stop,
            ends.fence,
            ends.hysteresis,
        )

    def personality(self) -> Personality:
        """The positioner's settings and manners; a side of approach becomes -1, 0 or 1."""
        table = self.positioner
        habits = DriveSettings(
            coast_counts=table.coast_counts,
            nudge_s=table.nudge_s,
            quiet_s=table.quiet_s,
            reverse_s=table.reverse_s,
            stall_s=table.stall_s,
            retries=table.retries,
            approach={"east": -1, "west": 1, "either": 0}[table.approach],
            approach_counts=table.approach_counts,
        )
        return Personality(
            habits=habits,
            two_way=table.two_way,
            angles=table.angles,
            most_positions=table.most_positions,
            passing=table.passing,
            reset_forgets=frozenset(table.reset_forgets),
            manners=frozenset(table.manners),
        )

    def taught_counts(self) -> dict[int, int]:
        """Counts of all positions: those of the list, else where the satellite is."""
        counts = {}
        for row in self.position:
            if row.count is not None:
                counts[row.number] = row.count
            elif row.longitude_deg is not None:
                angle = hour_angle_deg(self.site, row.longitude_deg)
                try:
                    counts[row.number] = round(self.linkage.count(angle))
                except BadInput:
                    continue
        return counts

    def problems(self) -> list[tuple[tuple[str | int, ...], str]]:
        """Key and sentence for each way in which well-formed tables make no yard."""
        problems: list[tuple[tuple[str | int, ...], str]] = []

        def report(key: str, words: str) -> None:
            problems.append((tuple(key.split(".")), words))

        if self.mount is None:
            report("mount", "is missing; a yard needs one")
        if self.dish is None:
            report("dish", "is missing; a yard needs one")
        self._check_ends(report)
        self._check_rig(report)
        linear = isinstance(self.mount, LinearMount)
        speed = "speed_mm_s" if linear else "speed_deg_s"
        if self.mount is not None and getattr(self.rig, speed) is None:
            report(f"rig.{speed}", f"is missing; a {self.mount.kind} mount needs it")
        elif self.mount is not None:
            self._check_motion(report)
        for index, row in enumerate(self.station.obstacles):
            try:
                Obstacle(*row.azimuth_deg, row.elevation_deg)
            except YardError as error:
                problems.append((("station", "obstacles"), f"number {index + 1}: {error}"))
        rows = [row.longitude_deg for row in self.position if row.longitude_deg is not None]
        if rows and all(hidden_by(self.site, row) == "horizon" for row in rows):
            report("station", "sees no satellite of its list above the horizon; check the site")
        return problems

    def _check_ends(self, report: Report) -> None:
        ends = self.ends
        order = (
            ("ends.east_switch", ends.east_switch, "ends.east_stop", ends.east_stop),
            ("ends.west_switch", ends.west_switch, "ends.east_switch", ends.east_switch),
            ("ends.west_stop", ends.west_stop, "ends.west_switch", ends.west_switch),
        )
        for key, value, other, least in order:
            if value <= least:
                report(key, f"{value:g} is not west of {other} {least:g}; counts grow west")
        if ends.fence is not None and ends.fence <= ends.east_switch:
            report("ends.fence", f"{ends.fence:g} is not west of ends.east_switch; leave it out")
        where = self.start.count
        if not ends.east_stop < where < ends.west_stop:
            report(
                "start.count", f"{where} is outside {ends.east_stop:g} to {ends.west_stop:g} counts"
            )
        if self.limits is not None:
            for side, count in (("east", self.limits.east), ("west", self.limits.west)):
                if not ends.east_switch < count < ends.west_switch:
                    report(
                        f"limits.{side}",
                        f"{count} is outside the end switches, {ends.east_switch:g} to"
                        f" {ends.west_switch:g}; set soft limits inside them",
                    )
        if isinstance(self.mount, LinearMount):
            stroke = self.mount.stroke_mm * self.mount.counts_per_mm
            if ends.west_switch > stroke:
                report(
                    "ends.west_switch",
                    f"{ends.west_switch:g} is past the stroke of {stroke:.0f} counts",
                )

    def _check_rig(self, report: Report) -> None:
        rig = self.rig
        if rig.magnet_opens <= rig.magnet_closes:
            report(
                "rig.magnet_opens",
                f"{rig.magnet_opens:g} is not over magnet_closes {rig.magnet_closes:g};"
                " a contact opens farther from the magnet than it closes",
            )
        if any(b[0] <= a[0] for a, b in zip(rig.weight, rig.weight[1:], strict=False)):
            report("rig.weight", "counts do not grow; sort the points west")
        if not all(math.isfinite(number) for point in rig.weight for number in point):
            report("rig.weight", "holds a number that is none")

    def _check_motion(self, report: Report) -> None:
        try:
            _ = self.linkage
        except YardError as error:
            report("mount", str(error))
            return
        try:
            motor = self.motor
        except ValueError as error:
            report("rig", str(error))
            return
        if motor.electrical_ratio < SOFTEST_RATIO:
            report(
                "rig.inductance_mh",
                f"{self.rig.inductance_mh:g} mH is too slow for this motor: the current must"
                f" settle {SOFTEST_RATIO:g} times faster than the speed, not"
                f" {motor.electrical_ratio:.1f}; use less",
            )
        heaviest = max((abs(load) for _, load in self.rig.weight), default=0.0)
        if heaviest + self.rig.gust_nm >= motor.coulomb_nm:
            report(
                "rig.weight",
                f"{heaviest:g} N m and gusts of {self.rig.gust_nm:g} are not under the friction of"
                f" {motor.coulomb_nm:.3f} N m, so the dish would run away; use less",
            )
        if self.rig.trip_a <= self.rig.running_a:
            report("rig.trip_a", f"{self.rig.trip_a:g} A is not over running_a; nothing would move")


def parse_yard(text: str, where: str) -> Yard:
    """A yard from TOML text. Raises YardError with every mistake, one a line."""
    return checked_yard(parse_checked(text, where, Yard), text, where)


def checked_yard(yard: Yard, text: str, where: str) -> Yard:
    """The yard, if it can exist. Raises YardError with every reason why not, one a line."""
    problems = [
        f"{where}:{line_of(text, key) or 1}: {'.'.join(map(str, key))}: {words}"
        for key, words in yard.problems()
    ]
    if problems:
        raise YardError("\n".join(problems))
    return yard
