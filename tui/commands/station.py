"""`arcstep station`: begin a station file, with questions where a person is there to answer."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from bridge.errors import BadInput
from bridge.station.model import Station
from bridge.station.template import KnownFacts, MountKind, blank_station
from bridge.textfile.checked import check
from bridge.textfile.save import save_whole
from sim.demo_station import demo_station

Ask = Callable[[str], str]

_SIGNS = {"N": 1.0, "E": 1.0, "S": -1.0, "W": -1.0}
_QUESTIONS = (
    ("latitude_deg", "Latitude in degrees, such as 44.60N", "NS"),
    ("longitude_deg", "Longitude in degrees, such as 3.90E", "EW"),
    ("height_m", "Height above the sea in metres", ""),
    ("diameter_m", "Diameter of the dish in metres", ""),
    ("east_end", "Count read at the east end of the travel", ""),
    ("west_end", "Count read at the west end of the travel", ""),
)
_WHOLE = ("east_end", "west_end")


def _number(answer: str, sides: str) -> float:
    """A figure as people write it, with a decimal comma or a side. Raises BadInput."""
    text = answer.strip().upper().replace(",", ".").replace("°", "")
    sign = 1.0
    if sides and text[-1:] and text[-1] in sides:
        sign, text = _SIGNS[text[-1]], text[:-1]
    try:
        return sign * float(text)
    except ValueError:
        ways = f", perhaps with {' or '.join(sides)} behind" if sides else ""
        raise BadInput(f"{answer.strip()} is not a number; write digits{ways}") from None


def _count(value: float) -> int:
    """Raises BadInput for part of a count."""
    if not value.is_integer():
        raise BadInput(f"{value:g} is not a whole number; counts are whole")
    return int(value)


def _objection(known: KnownFacts) -> str | None:
    """The first thing wrong with what is known so far; None where it could become a station."""
    stand_in = replace(
        known,
        latitude_deg=0.0 if known.latitude_deg is None else known.latitude_deg,
        longitude_deg=0.0 if known.longitude_deg is None else known.longitude_deg,
    )
    mistakes = check(blank_station(stand_in), "station", Station).mistakes
    return f"{mistakes[0].path[-1]}: {mistakes[0].message}" if mistakes else None


def ask_for(known: KnownFacts, ask: Ask) -> KnownFacts:
    """Ask for what is not known yet; an empty answer leaves it for later."""
    if known.name is None:
        known = replace(known, name=ask("Name of the station").strip() or None)
    for key, question, sides in _QUESTIONS:
        while getattr(known, key) is None:
            answer = ask(question)
            if not answer.strip():
                break
            objection: str | None
            try:
                value: Any = _number(answer, sides)
                if key in _WHOLE:
                    value = _count(value)
                more = replace(known, **{key: value})
                objection = _objection(more)
            except BadInput as error:
                objection = str(error)
            if objection is None:
                known = more
            else:
                print(f"  {objection}", file=sys.stderr)
    return known


def _ask(question: str) -> str:
    print(f"{question} (return leaves it out): ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline()


def new(
    path: Path, known: KnownFacts, *, kind: MountKind = "linear", questions: bool = True
) -> int:
    """Write a commented station file where none is yet. Raises BadInput."""
    _require_room(path)
    if questions and sys.stdin.isatty():
        known = ask_for(known, _ask)
    if objection := _objection(known):
        raise BadInput(f"{path} was not written: {objection}")
    save_whole(path, blank_station(known, kind).encode("utf-8"), expected=None)
    missing = [k for k in ("latitude_deg", "longitude_deg") if getattr(known, k) is None]
    todo = f"; give it {' and '.join(missing)} before it can be used" if missing else ""
    print(f"{path} written{todo}")
    return 0


def demo(path: Path) -> int:
    """Write the invented demo station where no file is yet. Raises BadInput."""
    _require_room(path)
    save_whole(path, demo_station().encode("utf-8"), expected=None)
    print(f"{path} written: an invented yard, to try commands on")
    return 0


def _require_room(path: Path) -> None:
    if path.exists():
        raise BadInput(f"{path}: already exists; choose another name or move it away")
