"""Questions that a person answers at a terminal before something real moves."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable

from tui.cautions import CAUTIONS, REAL
from tui.text_table import WIDTH


def agree(clear: bool) -> bool:
    """Show the cautions of a real dish on stderr, and have a person say that it is clear."""
    lines = (_wrap(f"- {caution}") for caution in CAUTIONS)
    print(REAL, *lines, sep="\n", file=sys.stderr)
    prompt = "Type clear when people, ladders and hands are clear: "
    return clear or ask(prompt, lambda answer: answer == "clear")


def _wrap(text: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent="  ", subsequent_indent="    ")


def ask(prompt: str, agrees: Callable[[str], bool]) -> bool:
    """Ask on a terminal; without one nobody agrees."""
    if not sys.stdin.isatty():
        return False
    print(prompt, end="", file=sys.stderr, flush=True)
    return agrees(sys.stdin.readline().strip().lower())
