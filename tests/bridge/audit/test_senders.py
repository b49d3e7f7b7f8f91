"""Two masters on one bus."""

from __future__ import annotations

import pytest

from bridge.audit import Finding, audit
from bridge.bus.event import Event
from bus_events import heard

STANDARD = "DiSEqC Bus Functional Specification 4.2"
HALT = "E0 31 60"


def codes(*events: Event) -> list[str]:
    return [finding.code for finding in audit(events)]


@pytest.mark.parametrize(
    ("first", "second", "what", "measured"),
    [
        ({"carrier_hz": 22000.4}, {"carrier_hz": 21400.0}, "carrier", "22000 and 21400 Hz"),
        ({"carrier_hz": 22000.0}, {"carrier_hz": 22221.0}, "carrier", "22000 and 22221 Hz"),
        ({"level_vpp": 0.6}, {"level_vpp": 0.76}, "level", "0.60 and 0.76 V pp"),
        ({"level_vpp": 0.76}, {"level_vpp": 0.6}, "level", "0.76 and 0.60 V pp"),
    ],
)
def test_two_masters_are_reported_once(first, second, what, measured):
    events = [heard(HALT, n, **(first if n % 2 else second)) for n in range(1, 5)]
    assert list(audit(events)) == [
        Finding(
            2,
            "two_senders",
            "warning",
            f"commands with different {what}: two masters on one bus",
            "their messages collide, and each undoes what the other ordered",
            STANDARD,
            measured,
            "one master",
        )
    ]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ({"carrier_hz": 22000.0}, {"carrier_hz": 22219.0}),
        ({"level_vpp": 0.6}, {"level_vpp": 0.74}),
        ({"carrier_hz": 22000.0}, {"level_vpp": 0.6}),
        ({}, {"carrier_hz": 20000.0, "level_vpp": 0.3}),
    ],
)
def test_one_master_with_the_tolerance_of_its_parts(first, second):
    assert codes(heard(HALT, 1.0, **first), heard(HALT, 2.0, **second)) == []


def test_the_carrier_of_a_reply_is_another_device():
    command = heard("E2 31 64", 1.0, carrier_hz=22000.0)
    reply = heard("E4 80", 1.1, carrier_hz=21000.0)
    assert codes(command, reply) == []
    assert codes(reply, command) == []
