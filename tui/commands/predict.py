"""`arcstep positions predict`: the counts of all satellites from the taught ones."""

from __future__ import annotations

import json as json_text
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path

from bridge.station.model import load_station
from sim.counts.predict import PredictedPosition, Prediction, predict
from tui.text_table import WIDTH, Column, number, room, side, widened
from tui.text_table import table as lay_out

COLUMNS = (
    Column("no", 3),
    Column("name", 14, right=False),
    Column("longitude", 9),
    Column("count", 6),
    Column("95 % band", 16),
    Column("taught", 6),
    Column("held back", 13),
    Column("", 1, right=False),
)


MEASURED = ("linear", "worm")  # kinds of curve that [mount] gives
AXIS = {"axis tilt", "axis lean"}  # unknowns of which the station file says nothing
LEGEND = """\
95 % band: the peak lies in it 19 times in 20; held back: taught less what all
other peaks tell, and how far that may be off (2 deviations)"""


def run(station: Path, *, json: bool = False) -> int:
    """Print the prediction; 0 done, 1 when the peaks contradict each other."""
    result = predict(load_station(station))
    if json:
        _print_json(result)
    else:
        print("\n".join(table(result)))
    notes = _wrapped(result)
    if notes:
        print("\n".join(notes), file=sys.stderr if json else sys.stdout)
    return 0 if result.trusted else 1


def _print_json(result: Prediction) -> None:
    fit = result.fit
    taught = sum(row.taught is not None for row in result.rows)
    head = {
        "kind": "fit",
        "taught": taught,
        "unknowns": list(fit.determined),
        "rms_counts": round(fit.rms, 3),
        "suspects": [outlier.number for outlier in result.outliers],
    }
    print(json_text.dumps(head))
    for row in result.rows:
        print(
            json_text.dumps(
                {
                    "kind": "position",
                    "number": row.number,
                    "name": row.name,
                    "longitude_deg": row.longitude_deg,
                    "count": None if row.count is None else round(row.count),
                    "low": None if row.low is None else round(row.low, 1),
                    "high": None if row.high is None else round(row.high, 1),
                    "taught": row.taught is not None,
                    "residual": None if row.residual is None else round(row.residual, 1),
                },
                ensure_ascii=False,
            )
        )


def table(result: Prediction) -> list[str]:
    """The prediction as lines of at most 80 columns, or of the terminal's."""
    accused = {outlier.number for outlier in result.outliers}
    rows = [_cells(row, row.number in accused) for row in result.rows]
    columns = widened(COLUMNS, [row.name for row in result.rows], room())
    return [_summary(result), "", *lay_out(columns, rows), *LEGEND.splitlines()]


def _summary(result: Prediction) -> str:
    fit = result.fit
    used = len(fit.peaks)
    peaks = "1 peak" if used == 1 else f"{used} peaks"
    names = [unknown.name for unknown in fit.curve.unknowns]
    held = [name for name in names if name not in fit.determined and name not in AXIS]
    tells = "it tells" if used == 1 else "they tell"
    text = f"{peaks} fitted: {tells} {_listed(fit.determined)}." if used else "No peak to fit."
    if held:
        source = "was measured" if fit.curve.kind in MEASURED else "is usual"
        text += f" {_listed(held).capitalize()} held near what {source}."
    if set(names) & AXIS - set(fit.determined):
        text += " The axis may be set true or modified: the bands allow for either."
    if used > 2:
        text += f" Residual {fit.rms:.1f} counts rms."
    return textwrap.fill(text, WIDTH)


def _listed(names: Sequence[str]) -> str:
    """Names as a sentence lists them.

    >>> _listed(["offset", "scale", "noon angle"]), _listed([])
    ('offset, scale and noon angle', 'nothing')
    """
    *most, last = names or ["nothing"]
    return f"{', '.join(most)} and {last}" if most else last


def _cells(row: PredictedPosition, accused: bool) -> list[str]:
    band = "-" if row.low is None or row.high is None else f"{row.low:.1f} to {row.high:.1f}"
    held = ""
    if row.residual is not None and row.residual_sd is not None:
        held = f"{row.residual:+.1f} ±{2 * row.residual_sd:.1f}"
    return [
        str(row.number),
        row.name,
        "-" if row.longitude_deg is None else side(row.longitude_deg),
        number(row.count, 0),
        band,
        "" if row.taught is None else str(row.taught),
        held,
        "?" if accused else "*" if row.note else "",
    ]


def _wrapped(result: Prediction) -> list[str]:
    names = {row.number: row.name for row in result.rows}
    stories: dict[str, list[str]] = {}
    for outlier in result.outliers:
        stories.setdefault(outlier.explanation, []).append(
            f"{outlier.number} {names[outlier.number]}"
        )
    said = [f"? {', '.join(who)}: {story}." for story, who in stories.items()]
    said += [f"- {note}." for note in result.notes]
    groups: dict[str, list[str]] = {}
    for row in result.rows:
        if row.note:
            groups.setdefault(row.note, []).append(f"{row.number} {row.name}")
    said += [f"* {note}: {', '.join(who)}." for note, who in groups.items()]
    lines = [""] if said else []
    for text in said:
        lines += textwrap.wrap(text, WIDTH, subsequent_indent="  ")
    return lines
