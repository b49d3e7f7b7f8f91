"""The audit of bus manners: each rule broken, and kept."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.audit import audit
from bridge.bus import standard as std
from bridge.bus.event import Burst, Fault, FrameHeard, Supply, Tone


def heard(hex_text, t_s=None, *, times=True, **more):
    data = bytes.fromhex(hex_text)
    duration_s = len(data) * std.BYTE_S - 1e-3 if times and t_s is not None else None
    return FrameHeard(t_s, tuple(data), (True,) * len(data), duration_s, **more)


def codes(*events):
    return [finding.code for finding in audit(events)]


def found(code, *events):
    [finding] = [item for item in audit(events) if item.code == code]
    return finding


def test_a_well_kept_evening_has_no_findings():
    assert (
        codes(
            Supply(0.0, 13.0),
            heard("E0 31 63", 0.1),
            heard("E0 31 68 05", 0.3),
            heard("E0 31 60", 3.0),
            heard("E0 31 66", 5.0),
            heard("E0 31 69 FF", 7.0),
            heard("E1 31 69 FF", 7.16),
            heard("E0 31 6A 07", 9.0),
            heard("E0 31 6B 07", 80.0),
            heard("E0 10 38 F0", 150.0),
            Burst(150.0 + 4 * std.BYTE_S + 15e-3, "A"),
            Tone(150.0 + 4 * std.BYTE_S + 43e-3, True),
        )
        == []
    )


# Quiet of at least 15 ms: Bus Functional Specification, physical layer (from memory); between two
# messages: common practice.
@pytest.mark.parametrize(
    ("quiet_s", "severity"), [(0.003, "error"), (0.006, "warning"), (0.010, "warning")]
)
def test_quiet_too_short_between_messages(quiet_s, severity):
    first = heard("E0 31 63", 0.1)
    finding = found("short_quiet", first, heard("E0 31 60", 0.1 + first.duration_s + quiet_s))
    assert (finding.severity, finding.measured) == (severity, f"{quiet_s * 1e3:.1f} ms")
    assert finding.required == "at least 15 ms"


@pytest.mark.parametrize(
    "before", [Supply(0.1, 18.0), Tone(0.1, False), heard("E0 31 63", 0.1 - 3 * std.BYTE_S + 1e-3)]
)
def test_quiet_of_15_ms_is_enough(before):
    events = [Supply(0.0, 13.0), before, heard("E0 31 60", 0.1 + std.QUIET_S)]
    assert "short_quiet" not in codes(*events)
    early = [Supply(0.0, 13.0), before, heard("E0 31 60", 0.1 + std.QUIET_S - 1e-3)]
    assert "short_quiet" in codes(*early)


def test_a_reply_may_come_soon_after_its_command():
    first = heard("E2 31 64", 0.1)
    assert codes(first, heard("E4 80", 0.1 + first.duration_s + 0.008)) == []


def test_a_sag_is_no_ordered_supply_change():
    assert codes(Supply(0.0, 18.0), Supply(0.1, 17.4), heard("E0 31 60", 0.102)) == []


def test_a_message_under_continuous_tone_is_lost():
    assert found("tone_left_on", Tone(0.0, True), heard("E0 31 60", 1.0)).severity == "error"


def test_a_burst_belongs_after_the_message():
    assert "order" in codes(Burst(0.0, "A"), heard("E0 31 60", 0.04))
    assert "order" not in codes(Burst(0.0, "A"), heard("E0 31 60", 4.0))


@pytest.mark.parametrize(
    ("hex_text", "severity"), [("E0 31 69 FF", "error"), ("E0 31 6B 07", "warning")]
)
def test_a_repeat_needs_its_code(hex_text, severity):
    assert found("repeat_code", heard(hex_text, 0.0), heard(hex_text, 0.15)).severity == severity
    repeat = "E1" + hex_text[2:]
    assert codes(heard(hex_text, 0.0), heard(repeat, 0.16)) == []
    assert "repeat_early" in codes(heard(hex_text, 0.0), heard(repeat, 0.08))


def test_the_same_step_long_after_is_another_step():
    assert codes(heard("E0 31 69 FF", 0.0), heard("E0 31 69 FF", 1.0)) == []


def test_a_drive_that_is_never_halted():
    finding = found(
        "never_halted", heard("E0 31 69 00", 1.0), heard("E0 31 63", 2.0), heard("E0 31 6A 00", 3.0)
    )
    assert (finding.t_s, finding.severity) == (1.0, "error")
    assert codes(heard("E0 31 69 00", 1.0), heard("E0 31 60", 2.0)) == []
    assert codes(heard("E0 31 69 05", 1.0)) == []


def test_limits_that_stay_off():
    assert found("limits_left_off", heard("E0 31 63", 1.0)).t_s == 1.0
    for on in ("E0 31 6A 00", "E0 31 6A 05", "E0 31 66"):
        assert codes(heard("E0 31 63", 1.0), heard(on, 2.0)) == []


def test_a_store_while_moving():
    assert "store_while_moving" in codes(heard("E0 31 69 10", 1.0), heard("E0 31 6A 07", 3.0))
    assert codes(heard("E0 31 69 02", 1.0), heard("E0 31 6A 07", 4.0)) == []
    assert codes(heard("E0 31 69 10", 1.0), heard("E0 31 60", 2.0), heard("E0 31 6A 07", 3.0)) == []


def test_a_quick_reversal():
    assert "quick_reversal" in codes(heard("E0 31 69 02", 1.0), heard("E0 31 68 02", 3.3))
    assert codes(heard("E0 31 69 02", 1.0), heard("E0 31 68 02", 4.0)) == []


def test_supply_in_mid_move():
    start = [Supply(0.0, 18.0), heard("E0 31 6B 07", 1.0)]
    assert "supply_stepped" in codes(*start, Supply(3.0, 13.0))
    assert "supply_sags" in codes(*start, Supply(3.0, 16.2))
    assert codes(*start, Supply(3.0, 17.6)) == []
    assert codes(*start, Supply(90.0, 13.0)) == []


def test_a_switch_message_in_mid_move():
    assert "switch_in_mid_move" in codes(heard("E0 31 6B 07", 1.0), heard("E0 10 38 F0", 3.0))


@pytest.mark.parametrize(
    ("hex_text", "code"),
    [
        ("E0 31 60 00", "trailing_data"),
        ("E0 31 66 00", "trailing_data"),
        ("E0 31 6F 01", "unsettled_command"),
        ("E0 31 61", "unsettled_command"),
        ("E0 31 6B 64", "many_positions"),
        ("E0 31 6A FF", "many_positions"),
    ],
)
def test_the_form_of_a_command(hex_text, code):
    assert codes(heard(hex_text, 1.0)) == [code]


def test_two_addresses_and_two_senders():
    assert "two_addresses" in codes(heard("E0 30 60", 1.0), heard("E0 31 60", 2.0))
    assert "two_senders" in codes(
        heard("E0 31 60", 1.0, carrier_hz=22000.0), heard("E0 31 60", 2.0, carrier_hz=22600.0)
    )
    assert (
        codes(
            heard("E0 31 60", 1.0, carrier_hz=22000.0), heard("E0 31 60", 2.0, carrier_hz=22050.0)
        )
        == []
    )


def test_faults_of_a_frame_are_findings_once():
    faults = (Fault("slot_timing", "slot 3"), Fault("slot_timing", "slot 5"))
    finding = found("slot_timing", heard("E0 31 60", 1.0, faults=faults))
    assert "1 more" in finding.detail


def test_without_times_only_order_is_judged():
    events = [heard("E0 31 69 00"), heard("E0 31 69 00"), heard("E0 31 68 05")]
    assert codes(*events) == ["no_times", "repeat_code"]
    stamped = [heard("E0 31 63", 1.0, times=False), heard("E0 31 6A 00", 1.02, times=False)]
    assert codes(*stamped) == ["no_times"]


@given(
    st.lists(
        st.one_of(
            st.builds(Supply, st.floats(0, 9), st.sampled_from([13.0, 18.0, 17.0])),
            st.builds(Tone, st.floats(0, 9), st.booleans()),
            st.builds(Burst, st.floats(0, 9), st.sampled_from(["A", "B"])),
            st.builds(
                lambda data, t_s, lost: FrameHeard(
                    t_s,
                    tuple(data) + (None,) * lost,
                    (True,) * len(data) + (False,) * lost,
                    0.05,
                ),
                st.binary(max_size=8),
                st.floats(0, 9) | st.none(),
                st.integers(0, 1),
            ),
        ),
        max_size=12,
    )
)
def test_any_events_are_audited(events):
    for finding in audit(events):
        assert finding.detail
        assert finding.effect
        assert finding.to_json("x")["kind"] == "finding"


def test_a_message_keyed_out_of_the_tone_finds_tone_left_on():
    # a capture shows such a message as tone that ends with the message's first bit
    keyed = [Tone(0.0, True), Tone(0.1, False), heard("C0 62 D6", 0.101)]
    assert "tone_left_on" in codes(*keyed)
    apart = [Tone(0.0, True), Tone(0.1, False), heard("E0 31 60", 0.103)]
    assert "tone_left_on" not in codes(*apart)


def test_a_sag_above_the_threshold_shows_in_the_messages():
    before = heard("E0 31 6B 07", 1.0, supply_v=18.1)
    sagged = heard("E1 31 6B 07", 1.2, supply_v=16.6)
    finding = found("supply_sags", Supply(0.0, 18.1), before, sagged)
    assert (finding.t_s, finding.measured) == (1.2, "18.1 V to 16.6 V")
    steady = heard("E1 31 6B 07", 1.2, supply_v=17.6)
    assert codes(Supply(0.0, 18.1), before, steady) == []


def test_carriers_of_two_senders_are_told_in_whole_hertz():
    one, two = heard("E0 31 6B 07", 1.0, carrier_hz=22000.4), heard("E0 31 6B 05", 9.0)
    two = replace(two, carrier_hz=21400.0)
    assert found("two_senders", one, two).measured == "22000 and 21400 Hz"
