"""`ports`: what can be opened, as text and as JSON."""

from __future__ import annotations

import json

from bridge.link.port import SerialPort
from sim.yard_files import list_yards
from tui.commands import ports as command


def fake_ports(*, every: bool = False) -> list[SerialPort]:
    usb = SerialPort("/dev/ttyACM0", "adapter board", 0x2E8A, 0x000A, "E660")
    plain = SerialPort("/dev/ttyS0", "", None, None, None)
    return [usb, plain] if every else [usb]


def test_every_simulated_yard_is_listed_one_object_a_line(monkeypatch, capsys):
    monkeypatch.setattr(command, "list_serial_ports", fake_ports)
    assert command.ports(json=True, all=False) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert rows[0] == {
        "port": "/dev/ttyACM0",
        "kind": "serial",
        "description": "adapter board (serial number E660)",
        "vendor_id": 0x2E8A,
        "product_id": 0x000A,
        "serial_number": "E660",
    }
    assert [row["port"] for row in rows[1:]] == [f"sim://{name}" for name in list_yards()]


def test_ports_that_are_not_usb_only_on_request(monkeypatch, capsys):
    monkeypatch.setattr(command, "list_serial_ports", fake_ports)
    command.ports(json=False, all=False)
    assert "/dev/ttyS0" not in capsys.readouterr().out
    command.ports(json=False, all=True)
    told = capsys.readouterr().out
    assert "/dev/ttyS0" in told
    assert all(len(line) <= 80 for line in told.splitlines())


def test_a_machine_without_serial_ports_is_told_the_next_step(monkeypatch, capsys):
    monkeypatch.setattr(command, "list_serial_ports", lambda **_: [])
    assert command.ports(json=False, all=False) == 0
    told = capsys.readouterr()
    assert "sim://larkmere" in told.out
    assert "--all" in told.err
