"""The form of commands to a positioner: data, addresses, commands that are not settled."""

from __future__ import annotations

import pytest

from bridge.audit import Finding, audit
from bridge.bus.event import Event
from bus_events import heard

PRACTICE = "common practice"
NOTE = "DiSEqC Positioner Application Note 1.0"
HALT = "E0 31 60"


def codes(*events: Event) -> list[str]:
    return [finding.code for finding in audit(events)]


@pytest.mark.parametrize(
    ("order", "name", "measured"),
    [
        ("E0 31 60 00", "halt", "1 byte"),
        ("E0 31 66 00", "limit east", "1 byte"),
        ("E0 31 67 00 00", "limit west", "2 bytes"),
    ],
)
def test_data_that_a_command_does_not_have(order, name, measured):
    assert list(audit([heard(order, 1.0)])) == [
        Finding(
            1.0,
            "trailing_data",
            "note",
            f"{order} carries data that {name} does not have",
            "a strict positioner ignores it",
            NOTE,
            measured,
            "none",
        )
    ]


@pytest.mark.parametrize(
    ("order", "severity", "byte", "effect"),
    [
        ("E0 31 6F 01", "error", "6F", "it can overwrite every stored position"),
        ("E0 31 61", "note", "61", "positioners differ in what they make of it"),
        ("E0 31 6D 01 00", "note", "6D", "positioners differ in what they make of it"),
    ],
)
def test_a_command_that_is_not_settled(order, severity, byte, effect):
    detail = f"{order}: the use of command {byte} is not settled"
    assert list(audit([heard(order, 1.0)])) == [
        Finding(1.0, "unsettled_command", severity, detail, effect, PRACTICE)
    ]


@pytest.mark.parametrize(("order", "number"), [("E0 31 6B 64", 100), ("E0 31 6A FF", 255)])
def test_a_position_past_a_common_size_of_list(order, number):
    """Up to 99 stored positions is a common size (common practice)."""
    assert list(audit([heard(order, 1.0)])) == [
        Finding(
            1.0,
            "many_positions",
            "note",
            f"position {number}",
            "a positioner that holds 99 positions ignores it",
            PRACTICE,
            str(number),
            "at most 99",
        )
    ]


@pytest.mark.parametrize(
    "order",
    ["E0 31 6B 63", "E0 31 6A 63", "E0 10 6B 64", "E0 10 61", "E0 10 60 00", "E0 31 7F", "E0 31"],
)
def test_the_form_of_other_commands_is_not_minded(order):
    assert codes(heard(order, 1.0)) == []


def test_commands_to_any_and_to_the_polar_positioner_are_reported_once_for_each_pair():
    both = [heard("E0 30 60", 1.0), heard(HALT, 2.0), heard("E0 31 63", 3.0)]
    assert list(audit([*both[:2], heard("E0 31 66", 3.0)])) == [
        Finding(
            2.0,
            "two_addresses",
            "note",
            "commands to any positioner (30) and to the polar positioner (31)",
            "a positioner that knows one of them obeys half the commands",
            PRACTICE,
        )
    ]
    again = [heard("E0 30 60", 4.0), heard(HALT, 5.0), heard("E0 31 66", 6.0)]
    assert codes(*both, *again) == ["two_addresses", "two_addresses"]


@pytest.mark.parametrize("other", ["E0 00 60", "E0 32 60", "E0 30 00"])
def test_other_addresses_and_commands_of_any_device_do_not_mix(other):
    assert codes(heard(other, 1.0), heard(HALT, 2.0)) == []
