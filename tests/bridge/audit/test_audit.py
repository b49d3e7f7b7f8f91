"""The audit as a whole: an evening by the rules, captures without times, any events."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bridge.audit import Finding, audit
from bridge.bus.event import Burst, Event, FrameHeard, Supply, Tone
from bus_events import BYTE_S, heard

STANDARD = "DiSEqC Bus Functional Specification 4.2"
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
