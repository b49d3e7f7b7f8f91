"""What a port's URL says before it is opened: simulated or real, which yard, at what pace."""

from __future__ import annotations

import pytest

from bridge.errors import BadInput, YardError
from tui.open_port import LEASE_S, is_simulated, open_adapter, pace_of, with_speed, yard_name


@pytest.mark.parametrize(
    ("port", "simulated"),
    [("sim://", True), ("sim://x?speed=2", True), ("/dev/ttyACM0", False), ("socket://h:1", False)],
)
def test_only_sim_urls_are_simulated(port, simulated):
    assert is_simulated(port) is simulated


@pytest.mark.parametrize(
    ("port", "yard"),
    [
        ("sim://", "larkmere"),
        ("sim://sedgeholt?fault=jam", "sedgeholt"),
        ("sim:///home/me/my%20yard.toml", "/home/me/my yard.toml"),
    ],
)
def test_the_yard_of_a_url(port, yard):
    assert yard_name(port) == yard


@pytest.mark.parametrize(
    ("port", "pace"), [("sim://", 1.0), ("sim://?speed=8", 8.0), ("/dev/ttyACM0", 1.0)]
)
def test_the_pace_of_a_real_port_is_one(port, pace):
    assert pace_of(port) == pace


def test_a_speed_is_added_to_a_simulated_port_only():
    assert with_speed("sim://", None) == "sim://"
    assert with_speed("sim://larkmere", 2.5) == "sim://larkmere?speed=2.5"
    assert with_speed("/dev/ttyACM0", None) == "/dev/ttyACM0"
    with pytest.raises(BadInput) as caught:
        with_speed("/dev/ttyACM0", 2)
    assert str(caught.value) == (
        "--speed 2 is for simulated yards; /dev/ttyACM0 runs at the pace it has"
    )
    with pytest.raises(YardError, match="speed comes twice"):
        pace_of(with_speed("sim://?speed=3", 2))


def test_an_adapter_is_opened_with_a_lease_of_a_second():
    assert LEASE_S == 1.0
    with open_adapter("sim://larkmere?speed=50") as adapter:
        assert adapter.status().lease_s == 1.0
