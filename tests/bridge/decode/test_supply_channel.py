"""The supply beside the bus: levels, changes between the events, and the level to each frame."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from bridge.bus.event import Burst, Event, FrameHeard, Supply
from bridge.capture.trace import Samples
from bridge.decode.supply_channel import SupplyChannel, join_supply, levels_of
from bridge.decode.trace_events import ENDED_S, EventBatch
from bridge.errors import CaptureError


def samples(values: list[float], rate_hz: float = 1e3, piece: int = 0) -> Samples:
    every = np.array(values, np.float32)

    def chunks() -> Iterator[np.ndarray]:
        step = piece or max(len(every), 1)
        for first in range(0, len(every), step):
            yield every[first : first + step]

    return Samples("supply", rate_hz, 0.0, True, chunks)


@pytest.mark.parametrize("piece", [0, 1, 3])
@pytest.mark.parametrize(
    ("values", "rate_hz", "levels"),
    [
        ([1.0, 2.0, 4.0], 1e3, [1.0, 2.0, 4.0]),
        ([1.0, 2.0, 3.0, 6.0, 9.0, 9.0], 4e3, [3.0]),  # what is left over makes no ms
        ([1.0, 2.0], 4e3, [1.5]),  # less than a ms in all
        ([1.0, np.nan, 4.0], 1e3, [1.0, 0.0, 4.0]),
        ([5.0, 7.0], 100.0, [5.0, 7.0]),  # as they come
        ([], 1e3, []),
    ],
)
def test_levels_are_means_over_a_ms(
    values: list[float], rate_hz: float, levels: list[float], piece: int
) -> None:
    assert levels_of(samples(values, rate_hz, piece), 2.0).tolist() == levels


def test_levels_of_no_more_than_the_span_are_read() -> None:
    assert len(levels_of(samples([1.0] * 3_000), 2.0)) == 2_000
    assert len(levels_of(samples([1.0] * 3_000, piece=7), 2.0)) == 2_000


def test_damage_ends_the_levels_where_it_lies() -> None:
    def chunks() -> Iterator[np.ndarray]:
        yield np.ones(5, np.float32)
        raise CaptureError("x: damaged")

    trace = Samples("supply", 1e3, 0.0, True, chunks)
    assert levels_of(trace, 2.0).tolist() == [1.0] * 5
    supply = SupplyChannel(trace)
    supply.advance(10.0)
    assert [event.volts for event in supply.changes(10.0)] == []


def frame(t_s: float, duration_s: float | None = 0.04) -> FrameHeard:
    return FrameHeard(t_s, (0xE0, 0x31, 0x60), (True,) * 3, duration_s)


def test_changes_and_levels_come_in_order_of_time_with_whatever_is_heard() -> None:
    values = [13.0] * 1_000 + [18.0] * 1_000
    untimed = FrameHeard(None, (0xE4,), (True,))
    steps = [
        EventBatch(0.5, 0.4, [untimed, frame(0.1), Burst(0.3, "A")]),
        EventBatch(1.5, 1.4, []),
        EventBatch(ENDED_S, ENDED_S, [frame(1.5), frame(1.6, None)]),
    ]
    joined = list(join_supply(iter(steps), SupplyChannel(samples(values))))
    assert [step.certain_s for step in joined] == [0.4, 1.4, ENDED_S]
    first, second, third = (step.events for step in joined)
    assert [type(event) for event in first] == [FrameHeard, Supply, FrameHeard, Burst]
    assert [event.t_s for event in second] == [pytest.approx(1.0, abs=2e-3)]
    heard: list[Event] = [*first, *second, *third]
    assert [event.supply_v for event in heard if isinstance(event, FrameHeard)] == [
        None, 13.0, 18.0, 18.0,
    ]  # fmt: skip
    assert [round(event.volts, 3) for event in heard if isinstance(event, Supply)] == [13.0, 18.0]


def test_a_supply_is_read_no_further_than_it_is_asked_for() -> None:
    read: list[int] = []

    def chunks() -> Iterator[np.ndarray]:
        for n in range(100):
            read.append(n)
            yield np.full(1_000, 13.0, np.float32)

    supply = SupplyChannel(Samples("supply", 1e3, 0.0, True, chunks))
    supply.advance(2.0)
    assert len(read) == 3  # chunks last 1 s, and a change takes 0.05 s to show
    assert supply.level(0.5, 0.6) == 13.0
