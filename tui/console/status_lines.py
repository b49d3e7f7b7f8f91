"""Single lines of the screen: status at the top, trouble, advice and keys at the bottom."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from bridge.helm.snapshot import Activity
from tui.console.canvas import Run
from tui.console.guide import Advice, sides_of_view
from tui.console.row_widget import RowWidget, spread
from tui.console.travel_ends import side_with_arrow

if TYPE_CHECKING:
    from bridge.helm.snapshot import Snapshot

KEYS: tuple[tuple[str, str], ...] = (
    ("SPACE", "halt"),
    ("e w", "one count"),
    ("E W", "hold to move"),
    ("d", "drive"),
    ("l", "limits"),
    ("F1", "help"),
    ("s", "store"),
    ("g", "go to"),
    ("↑ ↓", "position"),
    ("m", "clear mark"),
    ("c", "set count"),
    (":", "command"),
    ("q", "leave"),
)


def status_row(
    snapshot: Snapshot, hemisphere: str, width: int, *, with_count: bool = False
) -> list[Run]:
    """SIM or LIVE, the port, the state in words; the count where nothing else shows it."""
    left: list[Run] = [(" LIVE ", "live") if snapshot.live else (" SIM ", "sim")]
    left.append((f" {snapshot.port} ", "plain"))
    if snapshot.link != "open":
        left.append((f" {snapshot.link.upper()} ", "trouble"))
    if snapshot.moving is not None:
        glyph = side_with_arrow(snapshot.moving, hemisphere, double=True).replace(
            snapshot.moving, ""
        )
        left.append((f" {glyph.strip()} {snapshot.state} ", "moving"))
    else:
        still = "■" if snapshot.link == "open" else "?"
        glyph = "∿" if snapshot.activity is Activity.COASTING else still
        left.append((f" {glyph} {snapshot.state}", "strong"))
    right: list[Run] = []
    if with_count and snapshot.count is not None:
        right.append((f"count {snapshot.count} ", "strong"))
    elif width >= 110:
        right.append((f"{sides_of_view(hemisphere)} ", "dim"))
    return spread(left, right, width)


class StatusLine(RowWidget):
    """The top line."""

    def present(self, snapshot: Snapshot, hemisphere: str, *, with_count: bool) -> None:
        """Show the snapshot."""
        width = self.size.width
        self.show([status_row(snapshot, hemisphere, width, with_count=with_count)])


class TroubleLine(RowWidget):
    """The last error or refusal, in words; a short notice while it is fresh. Two rows at most."""

    def present(self, error: str, notice: str) -> bool:
        """Show a notice, else the error, else that there is none; returns whether it is long."""
        width = max(20, self.size.width)
        if notice:
            words, ink = notice, "best"
        elif error:
            words, ink = f"✕ {error[:1].upper()}{error[1:]}", "trouble"
        else:
            words, ink = "no error", "subtle"
        rows = textwrap.wrap(words, width, max_lines=2, placeholder="…", subsequent_indent="  ")
        self.show([[(row, ink)] for row in rows])
        return len(rows) > 1


class AdviceLines(RowWidget):
    """What is going on, and what comes next."""

    def present(self, advice: Advice) -> None:
        """Show the advice, the second part on its own line."""
        self.show([[(advice.now, "plain")], [(advice.next, "key")]])


class KeyLine(RowWidget):
    """The keys that matter most; more of them where there is room."""

    def present(self) -> None:
        """Show as many keys as fit, six at most on a narrow screen."""
        width = self.size.width
        most = 6 if width < 100 else len(KEYS)
        row: list[Run] = []
        used = 0
        for key, words in KEYS[:most]:
            length = len(key) + len(words) + 4
            if used + length > width:
                break
            row += [(f" {key} ", "keycap"), (f"{words}  ", "dim")]
            used += length
        self.show([row])
