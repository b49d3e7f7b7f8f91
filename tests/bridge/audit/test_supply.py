"""The supply while a dish may move: stepped down, or sagging under load (common practice)."""

from __future__ import annotations

import pytest

from bridge.audit import Finding, audit
from bridge.bus.event import FrameHeard, Supply
from bus_events import heard

PRACTICE = "common practice"


def supplied(hex_text: str, t_s: float, volts: float) -> FrameHeard:
    return heard(hex_text, t_s, supply_v=volts)


def test_the_supply_stepped_down_in_mid_move():
    start = [Supply(0.0, 18.0), heard("E0 31 6B 07", 1.0)]
    stepped = Finding(
        3.0,
        "supply_stepped",
        "warning",
        "the supply was stepped down in mid-move",
        "a motor fed over the cable slows by about a third",
        PRACTICE,
        "18.0 V to 13.0 V",
        "one level until the dish is at rest",
    )
    assert list(audit([*start, Supply(3.0, 13.0)])) == [stepped]
    assert list(audit([*start, Supply(61.1, 13.0)])) == []
    assert list(audit([heard("E0 31 6B 07", 1.0), Supply(3.0, 13.0)])) == []
    assert list(audit([Supply(0.0, 18.0), Supply(3.0, 13.0)])) == []


@pytest.mark.parametrize(
    ("before_v", "now_v", "code"),
    [
        (18.0, 16.2, "supply_sags"),
        (18.0, 17.1, None),
        (18.0, 17.0, "supply_sags"),
        (18.9, 13.9, "supply_stepped"),
        (19.1, 13.0, "supply_sags"),
        (19.0, 13.0, "supply_sags"),
        (18.0, 14.0, "supply_sags"),
        (17.1, 12.1, "supply_stepped"),
        (18.0, 14.1, "supply_sags"),
        (13.0, 18.0, None),
    ],
)
def test_a_sag_and_a_step(before_v, now_v, code):
    events = [Supply(0.0, before_v), heard("E0 31 6B 07", 1.0), Supply(3.0, now_v)]
    assert [finding.code for finding in audit(events)] == ([code] if code else [])


def test_a_sag_above_the_threshold_shows_in_the_messages():
    start = [Supply(0.0, 18.1), supplied("E0 31 6B 07", 1.0, 18.1)]
    assert list(audit([*start, supplied("E1 31 6B 07", 1.2, 16.6)])) == [
        Finding(
            1.2,
            "supply_sags",
            "warning",
            "the supply falls while the dish moves",
            "cable drop: slow motion, restarts, messages lost while moving",
            PRACTICE,
            "18.1 V to 16.6 V",
            "less than 1 V of fall",
        )
    ]
    assert list(audit([*start, supplied("E1 31 6B 07", 1.2, 17.6)])) == []
    assert list(audit([*start, supplied("E4 80", 1.2, 16.6)])) != []
