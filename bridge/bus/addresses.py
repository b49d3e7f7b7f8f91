"""Addresses of the bus: their names, and which of them reach a positioner.

EUTELSAT, DiSEqC Bus Functional Specification 4.2, address byte (from memory). The high half of an
address is the family of devices, the low half the kind of device in it; a zero stands for any.
"""

from __future__ import annotations

# Addresses by name (Bus Functional Specification 4.2, address byte; from memory)
ANY_DEVICE = 0x00
ANY_SWITCHER = 0x10
LINEAR_POLARIZER = 0x21
ANY_POSITIONER = 0x30
POLAR_POSITIONER = 0x31
ELEVATION_POSITIONER = 0x32

ADDRESSES: dict[int, str] = {
    ANY_DEVICE: "any device",
    ANY_SWITCHER: "any LNB, switcher or SMATV",
    0x11: "LNB",
    0x12: "LNB with loop-through",
    0x14: "switcher",
    0x15: "switcher with loop-through",
    0x18: "SMATV",
    0x20: "any polarizer",
    LINEAR_POLARIZER: "linear polarization control",
    ANY_POSITIONER: "any positioner",
    POLAR_POSITIONER: "polar positioner",
    ELEVATION_POSITIONER: "elevation positioner",
    0x40: "any installer aid",
    0x41: "signal strength aid",
    0x60: "address reallocations",
    0x70: "intelligent slave interface",
    0x71: "interface for a subscriber-controlled headend",
}
MANUFACTURER = range(0xF0, 0x100)  # left to each manufacturer


def address_name(address: int) -> str:
    """Who an address speaks to, in words.

    >>> address_name(0x31), address_name(0x3F)
    ('polar positioner', 'unassigned address 3F')
    """
    if address in ADDRESSES:
        return ADDRESSES[address]
    if address in MANUFACTURER:
        return "original manufacturer's own"
    return f"unassigned address {address:02X}"


def obeyed_by(device: int) -> frozenset[int]:
    """The addresses that the device at `device` obeys: its own, any of its family, any device.

    >>> sorted(f"{address:02X}" for address in obeyed_by(POLAR_POSITIONER))
    ['00', '30', '31']
    """
    return frozenset((device, device & 0xF0, ANY_DEVICE))


POLAR = obeyed_by(POLAR_POSITIONER)  # reach the positioner that a station file describes
POSITIONERS = POLAR | obeyed_by(ELEVATION_POSITIONER)  # reach a positioner of any kind
