"""The audit of any events: findings are whole, and streaming gives what a list gives."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bridge.audit import audit
from bridge.bus.event import Burst, FrameHeard, Supply, Tone


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
