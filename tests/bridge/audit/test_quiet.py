"""Quiet and order between supply, message, burst and tone.

Quiet of at least 15 ms, and the order supply, message, burst, tone: Bus Functional Specification,
physical layer (from memory). Quiet between two messages: common practice.
"""

from __future__ import annotations

import pytest

from bridge.audit import Finding, audit
from bridge.bus.event import Burst, Event, Supply, Tone
from bus_events import heard, length_s

STANDARD = "DiSEqC Bus Functional Specification 4.2"
PRACTICE = "common practice"
HALT = "E0 31 60"
BURST_S = 12.5e-3  # s


def before(what: str, end_s: float) -> list[Event]:
    """Events, the last of which ends at that time."""
    match what:
        case "supply":
            return [Supply(0.0, 13.0), Supply(end_s, 18.0)]
        case "tone off":
            return [Tone(0.0, True), Tone(end_s, False)]
        case "message":
            return [heard(HALT, end_s - length_s(HALT))]
        case _:
            return [Burst(end_s - BURST_S, "B")]


def after(what: str, t_s: float) -> Event:
    match what:
        case "message":
            return heard("E0 31 63", t_s)
        case "burst":
            return Burst(t_s, "A")
        case _:
            return Tone(t_s, True)


PAIRS = [
    ("supply", "message", "a message too soon after a supply change",
     "the message may be lost while the supply settles", STANDARD),
    ("tone off", "message", "a message too soon after the end of continuous tone",
     "the positioner may take the tone's end for the first bit", STANDARD),
    ("message", "message", "a message too soon after a message",
     "the positioner may still be busy with the first and lose the second", PRACTICE),
    ("message", "burst", "a tone burst too soon after a message",
     "a switch that obeys bursts may miss it", STANDARD),
    ("message", "tone on", "the start of continuous tone too soon after a message",
     "the tone may spoil the message's last bit", STANDARD),
    ("burst", "tone on", "the start of continuous tone too soon after a tone burst",
     "the tone may spoil the burst", STANDARD),
]  # fmt: skip


def quiet(*events: Event) -> list[Finding]:
    return [finding for finding in audit(events) if finding.code == "short_quiet"]


@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize(
    ("quiet_s", "severity"),
    [(0.002, "error"), (0.0059, "error"), (0.0061, "warning"), (0.014, "warning")],
)
def test_less_quiet_than_the_standard_asks(pair, quiet_s, severity):
    """6 ms of quiet end a message: with less, two messages are one (from memory)."""
    first, second, detail, effect, basis = pair
    [finding] = quiet(*before(first, 0.1), after(second, 0.1 + quiet_s))
    assert finding == Finding(
        pytest.approx(0.1 + quiet_s),
        "short_quiet",
        severity,
        detail,
        effect,
        basis,
        f"{quiet_s * 1e3:.1f} ms",
        "at least 15 ms",
    )


@pytest.mark.parametrize(("first", "second"), [pair[:2] for pair in PAIRS])
def test_15_ms_of_quiet_are_enough_and_half_a_ms_of_reading_is_forgiven(first, second):
    for quiet_s in (0.0146, 0.015, 0.1):
        assert quiet(*before(first, 0.1), after(second, 0.1 + quiet_s)) == []


def test_what_overlaps_is_not_judged_for_quiet():
    assert quiet(heard(HALT, 0.1), Tone(0.1 + length_s(HALT) - 0.005, True)) == []


def test_a_reply_may_come_soon_after_its_command():
    first = heard("E2 31 64", 0.1)
    assert list(audit([first, heard("E4 80", 0.1 + length_s("E2 31 64") + 0.008)])) == []


def test_a_sag_is_no_supply_change():
    assert quiet(Supply(0.0, 18.0), Supply(0.1, 16.1), heard(HALT, 0.102)) == []
    assert quiet(Supply(0.0, 18.0), Supply(0.1, 16.0), heard(HALT, 0.102)) != []


def test_the_level_at_the_start_is_no_supply_change():
    assert quiet(Supply(0.0, 18.0), heard(HALT, 0.002)) == []


def test_a_message_under_continuous_tone_is_lost():
    lost = "the positioner hears tone, not bits: the message is lost"
    detail = "a message while continuous tone is on"
    assert list(audit([Tone(0.0, True), heard(HALT, 1.0)])) == [
        Finding(1.0, "tone_left_on", "error", detail, lost, STANDARD)
    ]
    assert list(audit([Tone(0.0, True), Tone(0.5, False), heard(HALT, 1.0)])) == []
    assert list(audit([Tone(0.0, True), heard("E4", 1.0)])) == []  # a reply is another's tone


def test_a_message_keyed_out_of_the_tone_shows_as_tone_that_ends_with_its_first_bit():
    for after_s, codes in (
        (0.0013, ["tone_left_on", "short_quiet"]),
        (0.0015, ["short_quiet"]),
    ):
        events = [Tone(0.0, True), Tone(0.1, False), heard(HALT, 0.1 + after_s)]
        assert [finding.code for finding in audit(events)] == codes


def test_the_supply_changes_before_the_tone_comes_on():
    events = [Supply(0.0, 13.0), Tone(1.0, True), Supply(2.0, 18.0)]
    assert list(audit(events)) == [
        Finding(
            2.0,
            "order",
            "note",
            "the supply changed while continuous tone was on",
            "tone off first, then the supply, message, burst and tone: else a switch may take the "
            "step for a burst",
            STANDARD,
        )
    ]
    assert list(audit([*events[:2], Tone(1.5, False), events[2]])) == []


def test_a_burst_belongs_after_the_message():
    assert list(audit([Burst(0.0, "A"), heard(HALT, BURST_S + 0.0275)])) == [
        Finding(
            pytest.approx(0.04),
            "order",
            "warning",
            "a message after a tone burst",
            "the burst belongs after the message: a device that obeys both may act on the burst "
            "alone",
            STANDARD,
            "burst 27.5 ms before the message",
        )
    ]
    assert list(audit([Burst(0.0, "A"), heard(HALT, BURST_S + 0.101)])) == []


def test_messages_without_durations_are_judged_for_order_alone():
    events = [heard("E0 31 63", 1.0, duration_s=None), heard("E0 31 6A 00", 1.02, duration_s=None)]
    assert [finding.code for finding in audit(events)] == ["no_times"]
