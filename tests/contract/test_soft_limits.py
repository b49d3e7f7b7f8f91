"""Soft limits set, and drives beyond them refused, as seen from the counts alone."""

from __future__ import annotations

import time

import pytest

from bridge.bus.words import parse_words
from bridge.link.client import Adapter
from sim.protocol_sim import register

SPEED = 40
QUIET_S = 2.0  # simulated s without a pulse that mean rest

register()


@pytest.fixture
def adapter():
    with Adapter.open(f"sim://larkmere?speed={SPEED}", lease_s=10.0) as it:
        yield it


def send(adapter: Adapter, words: str) -> None:
    adapter.send(parse_words(words.split()).build())


def rest(adapter: Adapter) -> int:
    """The count once no pulse has come for a while of the dish's own time."""
    last = adapter.status()
    quiet_since_s = last.t_s
    while last.t_s - quiet_since_s < QUIET_S:
        time.sleep(0.1 / SPEED)
        now = adapter.status()
        if now.moving or now.pulses != last.pulses:
            quiet_since_s = now.t_s
        last = now
    assert last.tally is not None
    return last.tally


def test_soft_limits_set_on_the_way_hold_from_inside(adapter):
    send(adapter, "limits off")
    start = rest(adapter)
    send(adapter, "drive west 20 counts")
    west = rest(adapter)
    assert west > start
    send(adapter, "limit west")
    send(adapter, "drive west 30 counts")  # a one-way bus never says: only the counts do
    assert abs(rest(adapter) - west) <= 1
    send(adapter, "drive east 60 counts")
    east = rest(adapter)
    assert east <= west - 60
    send(adapter, "limit east")
    send(adapter, "drive east 40 counts")
    assert abs(rest(adapter) - east) <= 1
    send(adapter, "drive west 20 seconds")
    assert west - 8 <= rest(adapter) <= west + 4, "it ran past the limit by more than it coasts"


def test_switched_off_a_limit_no_longer_holds(adapter):
    send(adapter, "limit west")
    west = rest(adapter)
    send(adapter, "limits off")
    send(adapter, "drive west 10 counts")
    assert rest(adapter) >= west + 10
