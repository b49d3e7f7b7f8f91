"""Captures as another program spells them: read to the same events as our own originals.

Source: the file conversion of the general-purpose suite named in converted/README.md; its files
lie there, and where the tool is on PATH they are made anew and read as well.
"""

from __future__ import annotations

import importlib.util
import shutil
import sys
from pathlib import Path
from types import ModuleType

import pytest

from bridge.bus.event import Event, FrameHeard, Supply
from bridge.capture.open import open_capture
from bridge.decode.capture_events import read_traffic

FOLDER = Path(__file__).parent / "converted"


def _load() -> ModuleType:
    spec = importlib.util.spec_from_file_location("converted_make", FOLDER / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


MAKE = _load()
NAMES = sorted(MAKE.CONVERSIONS)
LATE_S = 2.2e-5  # s: its CSV calls the first row one interval late, 21 us at the most


@pytest.fixture(scope="module")
def originals(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("originals")
    MAKE.make_originals(folder)
    return folder


@pytest.fixture(scope="module")
def converted_anew(originals: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which(MAKE.TOOL) is None:
        pytest.skip(f"{MAKE.TOOL} is not on PATH; the files in converted/ are read all the same")
    folder = tmp_path_factory.mktemp("anew")
    MAKE.convert(originals, folder)
    return folder


def _read(path: Path) -> list[Event]:
    return list(read_traffic(open_capture(str(path))))


def _check(converted: Path, originals: Path, name: str) -> None:
    wanted = _read(originals / MAKE.CONVERSIONS[name][0])
    events = _read(converted / name)
    assert [type(event) for event in events] == [type(event) for event in wanted]
    assert any(isinstance(event, FrameHeard) for event in events)
    for event, other in zip(events, wanted, strict=True):
        assert event.t_s == pytest.approx(other.t_s, abs=LATE_S)
        if isinstance(event, FrameHeard) and isinstance(other, FrameHeard):
            assert (event.byte_values, event.parity_ok) == (other.byte_values, other.parity_ok)
            assert (event.bits, event.faults) == (other.bits, other.faults)
            assert event.duration_s == pytest.approx(other.duration_s, abs=1e-5)
            assert event.carrier_hz == pytest.approx(other.carrier_hz, rel=1e-3)
            assert event.supply_v == pytest.approx(other.supply_v, abs=1e-3)
        if isinstance(event, Supply) and isinstance(other, Supply):
            assert event.volts == pytest.approx(other.volts, abs=1e-3)


@pytest.mark.parametrize("name", NAMES)
def test_files_kept_here_read_as_their_originals(originals: Path, name: str) -> None:
    _check(FOLDER, originals, name)


@pytest.mark.parametrize("name", NAMES)
def test_files_converted_anew_read_as_their_originals(
    converted_anew: Path, originals: Path, name: str
) -> None:
    _check(converted_anew, originals, name)
