"""Rules of single commands: repeats, form, addresses, limits, senders, faults of frames."""

from __future__ import annotations

import pytest

from bridge.audit import Finding, audit
from bridge.bus.event import Burst, Event, Fault, Supply, Tone
from bus_events import BYTE_S, heard

STANDARD = "DiSEqC Bus Functional Specification 4.2"
PRACTICE = "common practice"
NOTE = "DiSEqC Positioner Application Note 1.0"
HALT = "E0 31 60"


def codes(*events: Event) -> list[str]:
    return [finding.code for finding in audit(events)]


def test_an_evening_by_the_rules_has_no_findings():
    assert (
        codes(
            Supply(0.0, 13.0),
            heard("E0 31 63", 0.1),
            heard("E0 31 68 05", 0.3),
            heard(HALT, 3.0),
            heard("E0 31 66", 5.0),
            heard("E0 31 69 FF", 7.0),
            heard("E1 31 69 FF", 7.16),
            heard("E0 31 6A 07", 9.0),
            heard("E0 31 6B 07", 80.0),
            heard("E0 10 38 F0", 150.0),
            Burst(150.0 + 4 * BYTE_S + 15e-3, "A"),
            Tone(150.0 + 4 * BYTE_S + 43e-3, True),
        )
        == []
    )


# ---- repeats: the framing byte tells a repeat (Bus Functional Specification, framing table) ----


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


# ---- form -------------------------------------------------------------------------------------


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


# ---- limits -----------------------------------------------------------------------------------


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


# ---- senders and frames -----------------------------------------------------------------------


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


def test_a_capture_with_times_of_arrival_alone_says_so_once():
    events = [heard("E0 31 63", n, duration_s=None) for n in (1.0, 2.0)]
    [first, last] = audit(events)
    assert first == Finding(
        1.0,
        "no_times",
        "note",
        "this capture does not hold when each message began and ended",
        "quiet times and durations are not judged, only order",
        STANDARD,
    )
    assert (last.t_s, last.code) == (2.0, "limits_left_off")


def test_a_finding_as_an_object_of_decode():
    finding = Finding(1.23456789, "order", "note", "what", "so", STANDARD, "1 ms", "2 ms")
    assert finding.to_json("a.wav") == {
        "file": "a.wav",
        "t_s": 1.2345679,
        "kind": "finding",
        "code": "order",
        "severity": "note",
        "measured": "1 ms",
        "required": "2 ms",
        "basis": STANDARD,
        "detail": "what",
        "effect": "so",
    }
    bare = Finding(None, "order", "note", "what", "so", STANDARD).to_json("a.wav")
    assert (bare["t_s"], bare["measured"], bare["required"]) == (None, None, None)
