"""The first evening by keys alone, on the real helm and the simulated yard.

What is checked against: the ends of the yard's own file, and the manners of the trade: limits 5-10
counts inside the end, one count for one press (common practice). The yard is the demo yard with its
ends moved together, so that the way between them takes seconds.
"""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bridge.helm.helm import Helm
from bridge.helm.motion_memory import COAST_S
from bridge.helm.snapshot import PositionRow
from bridge.link.client import Adapter
from bridge.log.sentence import sentence
from bridge.trade_figures import REVERSAL_WAIT_S
from sim.protocol_sim import register
from tui.console.app import Console

YARD = Path(__file__).parents[3] / "sim" / "yards" / "larkmere.toml"
WEST_END = 160
SPEED = 10  # simulated seconds a second


def short_yard(folder: Path) -> Path:
    """The demo yard with the west end near the east one, and the dish between them."""
    text = YARD.read_text(encoding="utf-8")
    for key, value in (
        ("west_switch", WEST_END),
        ("fence", WEST_END + 10),
        ("west_stop", WEST_END + 58),
        ("count", 70),
        ("reference", 80),
    ):
        text, changed = re.subn(rf"(?m)^{key} = \d+", f"{key} = {value}", text)
        assert changed == 1, key
    path = folder / "short.toml"
    path.write_text(text, encoding="utf-8")
    return path


class Evening:
    """Keys in, words out."""

    def __init__(self, pilot: Any, app: Console, helm: Helm) -> None:
        self.pilot, self.app, self.helm = pilot, app, helm

    def advice(self) -> str:
        text = str(self.app.main_screen.query_one("#advice").text)
        assert all(len(line) <= 78 for line in text.splitlines()), text
        return text

    async def until(self, what: str, happened: Callable[[], bool], within_s: float = 20.0) -> None:
        until_s = time.monotonic() + within_s
        while not happened():
            now = self.helm.snapshot()
            assert time.monotonic() < until_s, (
                f"{what}; {now.state} at {now.count}: {now.error}\n{self.advice()}\n"
                + "\n".join(sentence(line) for line in self.helm.log_since(0)[-10:])
            )
            await self.pilot.pause(0.05)

    async def until_advised(self, *words: str, within_s: float = 20.0) -> None:
        await self.until(
            f"advice {words}", lambda: all(word in self.advice() for word in words), within_s
        )

    async def press(self, *keys: str) -> None:
        await self.pilot.press(*keys)

    async def settle(self) -> None:
        await self.until("rest", lambda: self.helm.snapshot().state == "at rest")
        await self.pilot.pause(1.1 * REVERSAL_WAIT_S.high / SPEED)


async def walk(evening: Evening) -> None:
    helm = evening.helm
    await evening.until("open", lambda: helm.snapshot().link == "open")
    await evening.press("y")  # the cautions
    await evening.until_advised("turn the limits off")
    await evening.press("l", "f")
    ends: dict[str, int] = {}
    for side, back, end in (("east", "w", 0), ("west", "e", WEST_END)):
        if side == "west":
            await evening.until_advised("turn the limits off")
            await evening.press("l", "f")
        await evening.until_advised(f"find the {side} end", "d, then 120s")
        before = helm.snapshot().count
        await evening.press("d", *"120s", "enter", side[0])
        await evening.until("moving", lambda b=before: helm.snapshot().count != b)
        await evening.until("rest", lambda: helm.snapshot().moving is None, 40.0)
        await evening.until_advised(f"The {side} end is at", "back off 5-10 counts")
        found = helm.snapshot().count
        assert found is not None
        assert abs(found - end) <= 3  # coast and backlash at the switch
        ends[side] = found
        await evening.settle()
        presses = 0
        while "set the" not in evening.advice():
            before = helm.snapshot().count
            await evening.press(back)
            presses += 1
            await evening.until("one count", lambda b=before: helm.snapshot().count != b, 5.0)
            await evening.until("rest", lambda: helm.snapshot().state == "at rest")
            assert presses <= 15
        await evening.until_advised(f"set the {side} limit here")
        await evening.press("l", side[0])
        await evening.pilot.pause(0.2)
        await evening.press("y")
        await evening.until(
            "limit", lambda s=side: getattr(helm.snapshot(), f"limit_{s}") is not None
        )
    now = helm.snapshot()
    assert now.limit_east is not None
    assert now.limit_west is not None
    assert 5 <= now.limit_east - ends["east"] <= 10  # counts inside the end (common practice)
    assert 5 <= ends["west"] - now.limit_west <= 10
    await evening.until_advised(f"Limits {now.limit_east} to {now.limit_west} are on")
    # a drive beyond is refused in words, and nothing moves
    await evening.press("d", *"120", "enter", "w")
    await evening.until("refusal", lambda: "soft limit" in helm.snapshot().error)
    assert helm.snapshot().moving is None
    # store here as number 16, move away, come back
    await evening.press("1", "6", "enter")
    await evening.until("selected", lambda: helm.snapshot().selected == 16)
    await evening.press("s")
    await evening.until(
        "stored", lambda: any(r.number == 16 and r.count for r in helm.snapshot().positions)
    )
    stored = helm.snapshot().count
    await evening.settle()
    await evening.press("d", *"30", "enter", "e")
    await evening.until("away", lambda: (helm.snapshot().count or 0) < (stored or 0) - 20)
    await evening.settle()
    await evening.press("g", "g")
    await evening.until(
        "back", lambda: abs((helm.snapshot().count or 0) - (stored or 0)) <= 3, 30.0
    )
    await evening.settle()
    assert abs((helm.snapshot().count or 0) - (stored or 0)) <= 3


def test_a_first_evening_by_keys_sets_both_limits_and_stores_a_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The host's waits for coasting counts are as much shorter as the dish is faster.
    monkeypatch.setattr("bridge.guard.REVERSAL_WAIT_S", REVERSAL_WAIT_S.high / SPEED)
    monkeypatch.setattr("bridge.helm.motion_memory.COAST_S", COAST_S / SPEED)
    register()
    url = f"sim://{short_yard(tmp_path)}?speed={SPEED}"
    rows = [PositionRow(number, "") for number in range(1, 17)]
    helm = Helm(
        lambda: Adapter.open(url, lease_s=1.0 * SPEED),
        port="sim://short",
        live=False,
        positions=rows,
    )
    helm.start()
    app = Console(helm)

    async def go() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            await walk(Evening(pilot, app, helm))

    try:
        asyncio.run(go())
    finally:
        helm.close()
