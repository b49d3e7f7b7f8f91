"""A capture of any kind -> the events on the bus, streaming, replies paired with commands.

bus     -> hearing --------.
                            >-- in order of time --> pairing --> events
supply  -> supply_channel -'    frames get its level
"""

from __future__ import annotations

from collections.abc import Iterator

from bridge.bus.event import Event
from bridge.bus.pairing import Pairing
from bridge.capture.trace import Capture
from bridge.decode.channels import Channels, Progress, choose_channels
from bridge.decode.supply_channel import SupplyChannel, join_supply
from bridge.decode.trace_events import ENDED_S, EventBatch, hear_steps
from bridge.errors import CaptureError


def read_traffic(
    capture: Capture,
    *,
    channel: str | None = None,
    channels: Channels | None = None,
    progress: Progress = None,
) -> Iterator[Event]:
    """The events of a capture in time order; `channel` names the trace that carries the bus.

    `channels` are the traces where they are chosen already. `progress` is called now and then
    with the time in s up to which the bus was read. Raises CaptureError for a channel that is
    not there, or where the file stops making sense; what was read before that is given first.
    """
    chosen = channels or choose_channels(capture, channel, progress=progress)
    steps: Iterator[EventBatch] = hear_steps(chosen.bus)
    if chosen.supply is not None:
        steps = join_supply(steps, SupplyChannel(chosen.supply))
    else:
        capture.announce_last_pass()
    pairing = Pairing()
    broken: CaptureError | None = None
    try:
        for step in steps:
            for event in step.events:
                yield from pairing.see(event)
            yield from pairing.advance(step.certain_s)
            if progress is not None and abs(step.reached_s) < ENDED_S:
                progress(step.reached_s)
    except CaptureError as error:
        broken = error
    yield from pairing.end()
    if broken is not None:
        raise broken
