"""Yards and stations as files: which there are, and each as a rig under a sky."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from bridge.errors import YardError
from bridge.station.model import Station
from bridge.textfile.checked import parse_checked
from bridge.textfile.places import places_of
from bridge.textfile.read import read_text
from bridge.textfile.syntax_errors import read_toml
from sim.usual_rig import usual_yard
from sim.yard import Yard, parse_yard


def list_yards() -> list[str]:
    """Names of the yards that come with the program."""
    folder = resources.files("sim") / "yards"
    return sorted(
        item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml")
    )


def load_yard(name_or_path: str) -> Yard:
    """A yard by its name or from a file; a station without a rig gets a usual one. YardError."""
    if name_or_path in list_yards():
        folder = resources.files("sim") / "yards"
        text = (folder / f"{name_or_path}.toml").read_text(encoding="utf-8")
        return parse_yard(text, f"{name_or_path}.toml")
    path = Path(name_or_path)
    if path.suffix != ".toml" and not path.exists():
        raise YardError(
            f"yard '{name_or_path}' is unknown; known are {', '.join(list_yards())},"
            " or give the path of a .toml file"
        )
    text = read_text(path)
    if _is_station(text):
        return usual_yard(parse_checked(text, name_or_path, Station), name_or_path)
    return parse_yard(text, name_or_path)


def _is_station(text: str) -> bool:
    """True where a file describes no rig: no [rig], and no end switch in [ends].

    The [ends] of a station file hold the counts read there.
    """
    places = places_of(read_toml(text)[1])
    return ("rig",) not in places and ("ends", "east_switch") not in places
