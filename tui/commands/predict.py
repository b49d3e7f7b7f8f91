"""`arcstep positions predict`: the counts of all satellites from the taught ones."""

from __future__ import annotations

import json as json_text
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from bridge.station.model import load_station
from sim.counts.predict import PredictedPosition, Prediction, predict
from tui.text_table import WIDTH, Column, number, room, side, table, widened

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
AXIS = {"axis tilt", "axis lean"}  # unknowns that no key of a station file is about
BAND_SD = 2.0  # standard deviations of a 95 % band, rounded (common practice)
LEGEND = """\
95 % band: the peak lies in it 19 times in 20; held back: taught minus what all
other peaks predict, and how far that may be off (2 deviations)"""


def run(station: Path, *, json: bool = False) -> int:
    """Print the prediction; 0 done, 1 when the peaks contradict each other."""
    result = predict(load_station(station))
    print("\n".join(json_lines(result) if json else text_lines(result)))
    notes = _notes(result)
    if notes:
        print("\n".join(notes), file=sys.stderr if json else sys.stdout)
    return 0 if result.trusted else 1


def json_lines(result: Prediction) -> Iterator[str]:
    """One object for the fit, then one for each position."""
    fit = result.fit
    taught = sum(row.taught is not None for row in result.rows)
    head = {
        "kind": "fit",
        "taught": taught,
        "unknowns": list(fit.determined),
        "rms_counts": round(fit.rms, 3),
        "suspects": [outlier.number for outlier in result.outliers],
    }
    yield json_text.dumps(head)
    for row in result.rows:
        yield json_text.dumps(_object(row), ensure_ascii=False)


def _object(row: PredictedPosition) -> dict[str, object]:
    return {
        "kind": "position",
        "number": row.number,
        "name": row.name,
        "longitude_deg": row.longitude_deg,
        "count": None if row.count is None else round(row.count),
        "low": None if row.low is None else round(row.low, 1),
        "high": None if row.high is None else round(row.high, 1),
        "taught": row.taught is not None,
        "residual": None if row.residual is None else round(row.residual, 1),
    }


def text_lines(result: Prediction) -> list[str]:
    """The prediction as lines of at most 80 columns, or of the terminal's."""
    accused = {outlier.number for outlier in result.outliers}
    rows = [_cells(row, row.number in accused) for row in result.rows]
    columns = widened(COLUMNS, [row.name for row in result.rows], room())
    return [_summary(result), "", *table(columns, rows), *LEGEND.splitlines()]


def _summary(result: Prediction) -> str:
    fit = result.fit
    used = len(fit.peaks)
    peaks = "1 peak" if used == 1 else f"{used} peaks"
    names = [unknown.name for unknown in fit.curve.unknowns]
    constrained = [name for name in names if name not in fit.determined and name not in AXIS]
    fix = "it fixes" if used == 1 else "they fix"
    text = f"{peaks} fitted: {fix} {_listed(fit.determined)}." if used else "No peak to fit."
    if constrained:
        values = "value" if len(constrained) == 1 else "values"
        source = f"{values} in [mount]" if fit.curve.kind in MEASURED else f"usual {values}"
        text += f" {_listed(constrained).capitalize()} kept close to the {source}."
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
    held_back = ""
    if row.residual is not None and row.residual_sd is not None:
        held_back = f"{row.residual:+.1f} ±{BAND_SD * row.residual_sd:.1f}"
    return [
        str(row.number),
        row.name,
        "-" if row.longitude_deg is None else side(row.longitude_deg),
        number(row.count, 0),
        band,
        "" if row.taught is None else str(row.taught),
        held_back,
        "?" if accused else "*" if row.note else "",
    ]


def _notes(result: Prediction) -> list[str]:
    """What the marks in the table mean, each once with the positions it is about."""
    names = {row.number: f"{row.number} {row.name}" for row in result.rows}
    outliers = _grouped((outlier.explanation, names[outlier.number]) for outlier in result.outliers)
    marked = _grouped((row.note, names[row.number]) for row in result.rows if row.note)
    notes = [f"? {', '.join(who)}: {explanation}." for explanation, who in outliers.items()]
    notes += [f"- {note}." for note in result.notes]
    notes += [f"* {note}: {', '.join(who)}." for note, who in marked.items()]
    lines = [""] if notes else []
    for note in notes:
        lines += textwrap.wrap(note, WIDTH, subsequent_indent="  ")
    return lines


def _grouped(pairs: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    groups: dict[str, list[str]] = {}
    for key, member in pairs:
        groups.setdefault(key, []).append(member)
    return groups
