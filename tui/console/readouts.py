"""The column of readings: count, motion, room on either side, motor, signal, position."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from bridge.helm.snapshot import Activity
from tui.console.canvas import Run
from tui.console.numerals import large
from tui.console.row_widget import RowWidget, spread
from tui.console.signal_plot import plot_rows
from tui.console.travel_ends import counts_to, describe_stop, left_side, other, side_with_arrow

if TYPE_CHECKING:
    from bridge.helm.snapshot import Scale, Snapshot

AMPS_SHOWN = 5.0  # A at the end of the bar, where a stall is (3-5 A, common practice)
History = Sequence[tuple[float, float | None, float | None]]
"""(time, signal in dB, motor current in A)"""


def motion_text(snapshot: Snapshot, hemisphere: str) -> tuple[str, str]:
    """Which way it moves, with an ink."""
    if snapshot.moving is None:
        if snapshot.link != "open":
            return "? not known, no link", "plain"
        if snapshot.activity is Activity.COASTING:
            return "∿ coasting to rest", "motion"
        return "■ standing still", "plain"
    return f" {side_with_arrow(snapshot.moving, hemisphere, double=True).upper()} moving ", "moving"


def motor_row(snapshot: Snapshot, width: int) -> list[Run]:
    """Voltage and current in figures."""
    volts = "--.- V" if snapshot.motor_v is None else f"{snapshot.motor_v:.1f} V"
    amps = "-.-- A" if snapshot.motor_a is None else f"{snapshot.motor_a:.2f} A"
    return spread([("MOTOR ", "title"), (volts, "plain")], [(amps, "strong")], width)


def bar_row(amps: float | None, width: int) -> list[Run]:
    """The current as a bar that ends where a stall is."""
    if amps is None:
        return [("no current reading", "dim")]
    cells = width - 5
    filled = min(1.0, max(0.0, amps / AMPS_SHOWN)) * cells
    whole = int(filled)
    part = " ▏▎▍▌▋▊▉"[int((filled - whole) * 8)] if whole < cells else ""
    blank = "·" * (cells - whole - len(part))
    return [
        ("█" * whole + part.strip(), "signal"),
        (blank, "subtle"),
        (f" {AMPS_SHOWN:.0f} A", "dim"),
    ]


def signal_rows(snapshot: Snapshot, width: int) -> list[list[Run]]:
    """The signal now, and the best seen with the way back to it."""
    now = "no meter" if snapshot.signal_db is None else f"{snapshot.signal_db:.2f} dB"
    rows: list[list[Run]] = [spread([("SIGNAL", "title")], [(now, "strong")], width)]
    if snapshot.best_db is None:
        rows.append([("no best mark yet", "dim")])
        return rows
    where = ""
    if snapshot.best_count is not None and snapshot.count is not None:
        where = counts_to(snapshot.count, snapshot.best_count)
    rows.append(
        spread([("best ", "dim"), (where, "best")], [(f"{snapshot.best_db:.2f} dB", "best")], width)
    )
    return rows


def position_rows(snapshot: Snapshot, width: int) -> list[list[Run]]:
    """The selected position and how far it is; with ~ where it is only predicted."""
    row = next((row for row in snapshot.positions if row.number == snapshot.selected), None)
    name = row.name if row else ""
    head: list[Run] = [("POSITION ", "title"), (f"{snapshot.selected} {name}".rstrip(), "selected")]
    if row is None or row.count is None:
        way = "not taught"
        if row is not None and row.predicted is not None and snapshot.count is not None:
            way = f"~{counts_to(snapshot.count, row.predicted)}"
        return [spread(head, [(way, "dim")], width)]
    if snapshot.count is None:
        return [spread(head, [(f"at {row.count}", "plain")], width)]
    return [spread(head, [(counts_to(snapshot.count, row.count), "plain")], width)]


def supply_row(snapshot: Snapshot, width: int) -> list[Run]:
    """Supply, tone and limits in words."""
    limits = {True: "limits on", False: "LIMITS OFF", None: "limits unknown"}[snapshot.limits_on]
    supply = f"{snapshot.supply_v} V" if snapshot.supply_v else "no supply"
    return spread(
        [(supply, "plain"), (" tone on" if snapshot.tone else "", "dim")],
        [(limits, "good" if snapshot.limits_on else "limit")],
        width,
    )


def count_rows(snapshot: Snapshot, scale: Scale, width: int) -> list[list[Run]]:
    """The count in large numerals, the motion, and the room on either side."""
    digits = large("---" if snapshot.count is None else str(snapshot.count))
    motion, ink = motion_text(snapshot, scale.hemisphere)
    rows: list[list[Run]] = []
    for y, line in enumerate(digits):
        left: Run = ("COUNT  " if y == 0 else "       ", "title")
        rows.append([left, (line, "dish" if snapshot.moving else "strong")])
    rows.append([(motion, ink)])
    first = left_side(scale.hemisphere)
    for side in (first, other(first)):
        stop = describe_stop(side, snapshot, scale, short=True)
        rows.append([(f"{side_with_arrow(side, scale.hemisphere):<7}", "title"), (stop, "plain")])
    return rows


def readout_rows(
    snapshot: Snapshot, scale: Scale, history: History, now_s: float, *, width: int, height: int
) -> list[list[Run]]:
    """All readings in the rows there are; spare rows go to the plots and to space between."""
    head = count_rows(snapshot, scale, width)
    foot = [*position_rows(snapshot, width), supply_row(snapshot, width)]
    motor = [motor_row(snapshot, width), bar_row(snapshot.motor_a, width)]
    signal = signal_rows(snapshot, width)
    spare = height - len(head) - len(motor) - len(signal) - len(foot)
    gaps = 3 if spare >= 8 else 0  # room for space between the groups
    spare -= gaps
    current = min(3, spare // 3) if spare >= 9 else 0
    plot = min(8, max(0, spare - current))
    gap: list[list[Run]] = [[]] if gaps else []
    rows = [*head, *gap, *motor]
    if current:
        amps = [(t, a) for t, _, a in history]
        rows += plot_rows(amps, now_s, width, current, ink="signal", floor=0.0)
    rows += [*gap, *signal]
    if plot:
        decibels = [(t, db) for t, db, _ in history]
        rows += plot_rows(decibels, now_s, width, plot, ink="signal", best=snapshot.best_db)
    return [*rows, *gap, *foot]


class Readouts(RowWidget, can_focus=False):
    """The readings; the plots move only when `remember` brings a new minute."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._history: History = ()
        self._now_s = 0.0

    def remember(self, history: History, now_s: float) -> None:
        """Take the last minute for the plots, shown at the next look."""
        self._history, self._now_s = history, now_s

    def present(self, snapshot: Snapshot, scale: Scale) -> None:
        """Show the snapshot."""
        width, height = self.size
        if width > 0:
            self.show(
                readout_rows(
                    snapshot, scale, self._history, self._now_s, width=width, height=height
                )
            )
