"""Repeats: the framing byte tells a repeat (Bus Functional Specification, framing table)."""

from __future__ import annotations

import pytest

from bridge.audit import Finding, audit
from bridge.bus.event import Event
from bus_events import BYTE_S, heard

STANDARD = "DiSEqC Bus Functional Specification 4.2"
HALT = "E0 31 60"


def codes(*events: Event) -> list[str]:
    return [finding.code for finding in audit(events)]


@pytest.mark.parametrize(
    ("order", "severity", "effect"),
    [
        ("E0 31 69 FF", "error", "the dish steps twice"),
        ("E0 31 69 05", "warning", "it is acted on twice"),
        ("E2 31 6B 07", "warning", "it is acted on twice"),
        ("E0 10 38 F0", "warning", "it is acted on twice"),
    ],
)
def test_a_repeat_needs_its_code(order, severity, effect):
    wanted = Finding(
        pytest.approx(1.154),
        "repeat_code",
        severity,
        f"{order} again with the code of a first transmission",
        effect,
        STANDARD,
        "154 ms from start to start",
        "E1 or E3 in a repeat",
    )
    assert list(audit([heard(order, 1.0), heard(order, 1.154)])) == [wanted]


def test_without_times_the_same_bytes_again_may_be_meant():
    first, second = audit([heard("E0 31 6B 07"), heard("E0 31 6B 07")])
    assert first == Finding(
        None,
        "no_times",
        "note",
        "this capture has no times",
        "quiet times and durations are not judged, only order",
        STANDARD,
    )
    assert second == Finding(
        None,
        "repeat_code",
        "note",
        "E0 31 6B 07 again with the code of a first transmission",
        "it is acted on twice",
        STANDARD,
        "",
        "E1 or E3 in a repeat",
    )
    assert codes(heard("E0 31 69 FF"), heard("E0 31 69 FF")) == ["no_times", "repeat_code"]
    assert codes(heard(HALT), heard("E1 31 60")) == ["no_times"]
    assert codes(heard(HALT), heard("E1 31 60", 1.0)) == ["no_times"]


@pytest.mark.parametrize(("since_s", "found"), [(0.5, ["repeat_code"]), (0.51, [])])
def test_the_same_step_long_after_is_another_step(since_s, found):
    assert codes(heard("E0 31 69 FF", 0.0), heard("E0 31 69 FF", since_s)) == found


def test_another_command_is_no_repeat():
    assert codes(heard("E0 31 69 FF", 0.0), heard("E0 31 69 FE", 0.15)) == []
    assert codes(heard("E0 31 69 FF", 0.0), heard(HALT, 0.15), heard("E0 31 69 FF", 0.3)) == []


def test_a_repeat_within_60_ms_comes_early():
    """Receivers repeat after 15-60 ms (common practice), the standard after about 100 ms."""
    first = heard("E0 31 6B 07", 1.0)
    assert list(audit([first, heard("E1 31 6B 07", 1.0 + 4 * BYTE_S + 0.059)])) == [
        Finding(
            pytest.approx(1.113),
            "repeat_early",
            "note",
            "the repeat comes early",
            "a switch that is still powering up may lose it as well",
            STANDARD,
            "59 ms of quiet",
            "about 100 ms",
        )
    ]
    assert codes(first, heard("E1 31 6B 07", 1.0 + 4 * BYTE_S + 0.061)) == []
