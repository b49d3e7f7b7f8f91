"""A console on a fake helm, driven by Textual's Pilot inside `asyncio.run`."""

from __future__ import annotations

import asyncio
import importlib.util
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


def _load(name: str) -> ModuleType:
    path = Path(__file__).with_name(f"{name}.py")
    spec = importlib.util.spec_from_file_location(f"console_{name}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


FAKE = _load("fake_helm")


@pytest.fixture
def fake() -> ModuleType:
    """The module with FakeHelm, `still` and the invented belt."""
    return FAKE


@pytest.fixture
def drive() -> Callable[..., Any]:
    """Run `body(pilot, app, helm)` on a console without timers; returns the helm."""

    def run(
        body: Callable[[Any, Any, Any], Awaitable[None]],
        helm: Any = None,
        *,
        size: tuple[int, int] = (80, 24),
        timers: bool = False,
    ) -> Any:
        from tui.console.app import Console

        helm = helm or FAKE.FakeHelm()
        app = Console(helm, timers=timers)

        async def go() -> None:
            async with app.run_test(size=size) as pilot:
                await pilot.pause()
                app.update_all()
                await pilot.pause()
                await body(pilot, app, helm)

        asyncio.run(go())
        return helm

    return run


def screen_lines(app: Any) -> list[str]:
    """The screen as plain text, a line each."""
    width, height = app.size
    lines = []
    for y in range(height):
        strips = app.screen._compositor.render_strips()[y]
        lines.append("".join(segment.text for segment in strips)[:width])
    return lines


@pytest.fixture
def lines() -> Callable[[Any], list[str]]:
    return screen_lines
