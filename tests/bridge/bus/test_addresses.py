"""Addresses against the standard's address byte (Bus Functional Specification, from memory)."""

from __future__ import annotations

import pytest

from bridge.bus.addresses import POLAR, POSITIONERS, address_name, obeyed_by


def test_the_addresses_that_reach_a_positioner():
    """Any device, any positioner, polar or azimuth, elevation."""
    assert POSITIONERS == {0x00, 0x30, 0x31, 0x32}
    assert POLAR == {0x00, 0x30, 0x31}


@pytest.mark.parametrize(
    ("device", "addresses"),
    [(0x11, {0x00, 0x10, 0x11}), (0x21, {0x00, 0x20, 0x21}), (0x30, {0x00, 0x30})],
)
def test_a_device_obeys_its_family_and_any_device(device, addresses):
    assert obeyed_by(device) == addresses


@pytest.mark.parametrize(
    ("address", "name"),
    [
        (0x00, "any device"),
        (0x10, "any LNB, switcher or SMATV"),
        (0x11, "LNB"),
        (0x12, "LNB with loop-through"),
        (0x14, "switcher"),
        (0x15, "switcher with loop-through"),
        (0x18, "SMATV"),
        (0x20, "any polarizer"),
        (0x21, "linear polarization control"),
        (0x30, "any positioner"),
        (0x31, "polar positioner"),
        (0x32, "elevation positioner"),
        (0x40, "any installer aid"),
        (0x41, "signal strength aid"),
        (0x60, "address reallocations"),
        (0x70, "intelligent slave interface"),
        (0x71, "interface for a subscriber-controlled headend"),
        (0x33, "unassigned address 33"),
        (0xEF, "unassigned address EF"),
        (0xF0, "original manufacturer's own"),
        (0xFF, "original manufacturer's own"),
    ],
)
def test_names_of_addresses(address, name):
    assert address_name(address) == name
