"""What the screens ask of the app that shows them."""

from __future__ import annotations

from typing import Protocol


class Host(Protocol):
    """The app as its screens see it."""

    halted_s: float  # when the last halt was, monotonic clock

    def may_move(self, pressed_s: float, *, patient: bool = False) -> bool:
        """Tell whether a key press may still move anything."""

    def update_all(self) -> None:
        """Draw everything anew."""

    def notice(self, words: str) -> None:
        """Say something that is no error."""
