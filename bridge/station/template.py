"""A station file to begin with: every key explained, those not known yet as comments."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

MountKind = Literal["linear", "worm"]

_HEAD = """\
# A station file: the site, the dish, its mount, its limits and its position list.
# A line that begins with # is a remark. Take the # away from a key to use it, and put
# your own figure in. Numbers take a decimal point; longitudes are positive east, latitudes
# positive north; counts grow toward the west.

[station]
{name}
{latitude}      # degrees, north positive: 44 deg 36' south is -44.6
{longitude}     # degrees, east positive: 3 deg 54' west is -3.9
{height}           # metres above the sea
# What hides the sky: azimuths of both edges clockwise from true north, and its height in
# degrees; 350 to 10 wraps north.
# obstacles = [ {{ azimuth_deg = [209, 212], elevation_deg = 35 }} ]

{dish}
"""
_LINEAR = """\
# An actuator, measured in millimetres between the middles of the pivots.
# [mount]
# kind = "linear"
# frame_pivot_mm = 520         # polar axis to the actuator's pivot on the frame
# dish_pivot_mm = 430          # polar axis to its pivot on the dish
# retracted_mm = 350           # between these pivots, actuator all the way in
# stroke_mm = 560              # how much longer it is all the way out
# counts_per_mm = 1.88976      # counts from end to end, divided by the stroke
# noon_angle_deg = 90          # angle at the axis between both pivots, dish at the meridian
"""
_WORM = """\
# A worm drive on the polar axis itself.
# [mount]
# kind = "worm"
# counts_per_deg = 20          # counts for a degree of the axis
# noon_count = 1200            # count with the dish at the meridian
"""
_TAIL = """\

# Soft limits, inside the electrical ends. They are no safety device.
# [limits]
# east = 45
# west = 985

# What the counter read with the dish at each end: after counts are lost, it tells what happened.
{ends}

# [positioner]
# approach = "west"            # the way it moves when it arrives: "east", "west", "either"
# passing = "passed"           # supply to the LNB: "passed", "inverted", "held13", "held18"

# The list, one table for each satellite; without count it is not taught yet.
# [[position]]
# number = 1                   # 1 to 255, the bus carries no other
# name = "Alder"
# longitude_deg = 41.2
# count = 94
# horizontal_deg = -45.0       # the feed's angle for each polarity, where it is turned
# vertical_deg = 45.0
# peaked = 2026-05-04          # the day it was last peaked
# note = ""
"""


@dataclass(frozen=True, slots=True)
class KnownFacts:
    """What is known of a station when its file is begun; None where nothing is known yet."""

    name: str | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    height_m: float | None = None
    diameter_m: float | None = None
    east_end: int | None = None
    west_end: int | None = None


def blank_station(known: KnownFacts, kind: MountKind = "linear") -> str:
    """The text of a commented station file, with what is known written in."""
    dish = _pair("diameter_m", known.diameter_m, 1.2)
    frequency = "frequency_ghz = 12.0"
    header = "[dish]"
    if known.diameter_m is None:
        header, frequency = f"# {header}", f"# {frequency}"
    head = _HEAD.format(
        name=_pair("name", known.name, "Test Yard"),
        latitude=_pair("latitude_deg", known.latitude_deg, 44.6),
        longitude=_pair("longitude_deg", known.longitude_deg, 3.9),
        height=_pair("height_m", known.height_m, 210.0),
        dish=f"{header}\n{dish}             # metres across\n{frequency}",
    )
    east, west = _pair("east", known.east_end, 0), _pair("west", known.west_end, 1000)
    header = "# [ends]" if known.east_end is None and known.west_end is None else "[ends]"
    tail = _TAIL.format(ends=f"{header}\n{east}\n{west}")
    return head + "\n" + (_LINEAR if kind == "linear" else _WORM) + tail


def _pair(key: str, value: float | str | None, example: float | str) -> str:
    """A line of TOML; a comment with an example where the value is not known."""
    import tomlkit  # noqa: PLC0415 - 30 ms that only a writer spends

    comment = "# " if value is None else ""
    shown = example if value is None else value
    return f"{comment}{key} = {tomlkit.item(shown).as_string()}"
