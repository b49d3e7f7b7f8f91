"""Bursts of key repeats on the real helm: one count moves, at most one waits, a halt drops all."""

from __future__ import annotations

import asyncio
import time
from typing import Any

import pytest
from textual import events

from bridge.helm.helm import Helm
from bridge.link.client import Adapter
from bridge.log.record import Kind
from bridge.log.sentence import sentence
from sim.protocol_sim import register
from tui.console.app import Console

PATIENCE_S = 20.0  # s until a busy machine is given up


def on_the_yard(body: Any) -> None:
    """Run `body(pilot, app, helm)` on the demo yard, cautions acknowledged."""
    register()
    helm = Helm(lambda: Adapter.open("sim://larkmere"), port="sim://larkmere", live=False)
    helm.start()
    helm.acknowledge()
    app = Console(helm)

    async def go() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            while helm.snapshot().link != "open":
                await pilot.pause(0.02)
            await body(pilot, app, helm)

    try:
        asyncio.run(go())
    finally:
        helm.close()


def sent(helm: Helm, words: str) -> int:
    return sum(line.kind is Kind.SENT and words in sentence(line) for line in helm.log_since(0))


def test_sixty_repeats_in_one_read_are_one_count_and_one_waiting() -> None:
    async def body(pilot: Any, app: Any, helm: Helm) -> None:
        start = helm.snapshot().count
        assert start is not None
        until_s = time.monotonic() + PATIENCE_S
        while not sent(helm, "Drive west 1 count"):  # a busy machine may find all keys too old
            assert time.monotonic() < until_s, helm.snapshot().error
            for _ in range(60):
                app.post_message(events.Key("w", "w"))
            await pilot.pause(1.0)
        while helm.snapshot().state != "at rest":
            assert time.monotonic() < until_s, helm.snapshot().error
            await pilot.pause(0.05)
        assert 1 <= sent(helm, "Drive west 1 count") <= 2
        count = helm.snapshot().count
        assert count is not None
        assert 1 <= count - start <= 6  # two counts, and the coast of each (common practice: 1-3)

    on_the_yard(body)


def test_repeats_then_space_leave_nothing_to_move() -> None:
    async def body(pilot: Any, app: Any, helm: Helm) -> None:
        keys = [events.Key("w", "w") for _ in range(10)]
        await asyncio.sleep(0.01)
        app.halt_now("SPACE")  # as the input thread does, before the loop takes the keys
        for key in keys:
            app.post_message(key)
        await pilot.pause(0.5)
        assert sent(helm, "Drive") == 0
        assert helm.snapshot().moving is None

    on_the_yard(body)


@pytest.mark.parametrize("key", ["W", "shift+right"])
def test_a_held_key_moves_only_while_repeats_come(key: str) -> None:
    async def body(pilot: Any, app: Any, helm: Helm) -> None:
        until_s = time.monotonic() + PATIENCE_S
        while helm.snapshot().moving != "west":
            assert time.monotonic() < until_s, helm.snapshot().error
            await pilot.press(key)
            await pilot.pause(0.03)
        let_go_s = time.monotonic()
        while helm.snapshot().moving is not None:
            await pilot.pause(0.02)
        # A piece of 1 s begun at the last press, and a look; a busy machine adds to either.
        assert time.monotonic() - let_go_s < 2.0
        frames = {line.hex for line in helm.log_since(0) if line.kind is Kind.SENT}
        # West for one second, the halt when the key is let go, and nothing without a bound.
        assert frames - {"E0 31 60"} == {"E0 31 69 01"}

    on_the_yard(body)
