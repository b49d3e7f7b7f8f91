"""`arcstep ports`: the serial ports and simulated yards that can be opened."""

from __future__ import annotations

import json as json_text
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass

from bridge.link.port import list_serial_ports
from sim.yard_files import list_yards


@dataclass(frozen=True, slots=True)
class Listed:
    """One port in the list; the USB fields are None for what has none."""

    port: str
    kind: str
    description: str
    vendor_id: int | None = None
    product_id: int | None = None
    serial_number: str | None = None


def ports(json: bool, all: bool) -> int:
    """Print what can be opened; serial ports that are not USB only with `all`."""
    listed = list(list_ports(every=all))
    if json:
        for port in listed:
            print(json_text.dumps(asdict(port)))
        return 0
    width = max(len(port.port) for port in listed)
    for port in listed:
        print(f"{port.port:<{width}}  {port.kind:<9}  {port.description}".rstrip())
    if not all and not any(port.kind == "serial" for port in listed):
        hint = "no USB serial port here; --all lists those that are not USB as well"
        print(hint, file=sys.stderr)
    return 0


def list_ports(*, every: bool) -> Iterator[Listed]:
    """Serial ports first, then the simulated yards."""
    for port in list_serial_ports(every=every):
        description = port.description
        if port.serial_number:
            description = f"{description} (serial number {port.serial_number})".strip()
        yield Listed(
            port.url, "serial", description, port.vendor_id, port.product_id, port.serial_number
        )
    for name in list_yards():
        yield Listed(f"sim://{name}", "simulated", "a simulated yard: rehearse, no hardware")
