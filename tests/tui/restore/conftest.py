"""A short list in the west of the demo yard, and a simulated dish that stands among it.

Nothing here waits for simulated time at its own pace: the yard runs a few hundred times as fast.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sim.rig.dish import Dish
from sim.state_file import StateFile
from sim.yard_files import load_yard
from tui import open_port

SPEED = 200  # simulated seconds a second
NUMBERS = (14, 15, 16)
LIMITS = (790, 960)


@pytest.fixture(autouse=True)
def _patient_adapter(monkeypatch):
    """A busy machine may stall these tests for longer than the usual lease of a second."""
    monkeypatch.setattr(open_port, "LEASE_S", 10.0)


@pytest.fixture(scope="module")
def counts():
    taught = load_yard("larkmere").taught_counts()
    return {number: taught[number] for number in NUMBERS}


@pytest.fixture
def station(tmp_path, counts):
    """A short list in the west of the demo yard."""
    text = (
        '[station]\nname = "a yard"\nlatitude_deg = 44.60\nlongitude_deg = 3.90\n\n'
        f"[limits]\neast = {LIMITS[0]}\nwest = {LIMITS[1]}\n\n"
        '[positioner]\napproach = "west"\n'
    )
    for number, count in counts.items():
        text += f'\n[[position]]\nnumber = {number}\nname = "P{number}"\ncount = {count}\n'
    path = tmp_path / "station.toml"
    path.write_text(text, encoding="utf-8")
    return path


class StartState:
    """The state file of a dish that begins at a count with nothing in its positioner."""

    def __init__(self, path: Path, count: int) -> None:
        yard = load_yard("larkmere")
        start = yard.start.model_copy(update={"count": count})
        dish = Dish(yard.model_copy(update={"start": start}))
        StateFile(path, "larkmere").save(dish.dump(), 1)
        self.path = path
        self.url = f"sim://larkmere?speed={SPEED}&state={path}"

    def read(self) -> dict:
        return json.loads(self.path.read_text(encoding="utf-8"))["positioner"]

    @property
    def memory(self) -> dict:
        return self.read()["positioner"]

    @property
    def list(self) -> dict[int, int]:
        return {int(number): count for number, count in self.memory["positions"].items()}


@pytest.fixture
def start_state(tmp_path) -> StartState:
    return StartState(tmp_path / "state.json", 860)


@pytest.fixture(scope="session")
def limits() -> tuple[int, int]:
    return LIMITS
