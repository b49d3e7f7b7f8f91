"""Soft limits that are switched off and not on again."""

from __future__ import annotations

import pytest

from bridge.audit import Finding, audit
from bridge.bus.event import Event
from bus_events import heard

PRACTICE = "common practice"


def codes(*events: Event) -> list[str]:
    return [finding.code for finding in audit(events)]


@pytest.mark.parametrize("t_s", [1.0, None])
def test_limits_that_stay_off(t_s):
    left_off = Finding(
        t_s,
        "limits_left_off",
        "warning",
        "the soft limits were switched off and not on again",
        "nothing but the end switches stops the next drive",
        PRACTICE,
    )
    findings = list(audit([heard("E0 31 63", t_s), heard("E0 31 6B 07", 9.0)]))
    assert findings[-1] == left_off


@pytest.mark.parametrize("on", ["E0 31 6A 00", "E0 31 6A 05", "E0 31 66", "E0 31 67"])
def test_storing_and_setting_a_limit_switch_them_on_again(on):
    """Positioner Application Note (from memory)."""
    assert codes(heard("E0 31 63", 1.0), heard(on, 2.0)) == []
    assert codes(heard("E0 31 63", 1.0), heard(on, 2.0), heard("E0 31 63", 3.0)) == [
        "limits_left_off"
    ]


def test_a_switch_has_no_limits():
    assert codes(heard("E0 10 63", 1.0)) == []
    assert codes(heard("E0 31 63", 1.0), heard("E0 10 66", 2.0)) == ["limits_left_off"]
