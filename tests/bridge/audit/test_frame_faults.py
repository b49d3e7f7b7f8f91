"""Faults of single frames, and which of them are findings."""

from __future__ import annotations

import pytest

from bridge.audit import audit
from bridge.bus.event import Event, Fault
from bus_events import heard

STANDARD = "DiSEqC Bus Functional Specification 4.2"
HALT = "E0 31 60"


def codes(*events: Event) -> list[str]:
    return [finding.code for finding in audit(events)]


# What a positioner or a receiver makes of a fault, as severity (judgement); what is not here is
# shown to people and is no finding.
FAULTS = {
    "parity": "error", "left_over_bits": "error", "missing_bits": "error", "long_tone": "error",
    "carrier_off": "error", "too_long": "error", "reply_code": "error", "slot_timing": "warning",
    "notch": "warning", "pulse": "warning", "level_off": "warning", "reply_late": "warning",
    "reply_missing": "note",
}  # fmt: skip


@pytest.mark.parametrize("code", FAULTS)
def test_a_fault_of_a_frame_is_a_finding(code):
    [finding] = audit([heard(HALT, 1.0, faults=(Fault(code, "slot 3"),))])
    assert (finding.t_s, finding.code, finding.severity) == (1.0, code, FAULTS[code])
    assert (finding.detail, finding.basis) == ("slot 3", STANDARD)
    assert finding.effect


@pytest.mark.parametrize("code", ["short_quiet", "uneven_slots", "mended", "cut_off", "unclear"])
def test_what_is_for_people_only_is_no_finding(code):
    assert codes(heard(HALT, 1.0, faults=(Fault(code, "slot 3"),))) == []


def test_faults_of_one_kind_are_one_finding_in_the_order_of_the_first():
    faults = [("notch", "slot 3"), ("pulse", "slot 4"), ("notch", "slot 5"), ("notch", "slot 6")]
    event = heard(HALT, 1.0, faults=tuple(Fault(*each) for each in faults))
    assert [(finding.code, finding.detail) for finding in audit([event])] == [
        ("notch", "slot 3 (and 2 more of the kind)"),
        ("pulse", "slot 4"),
    ]
