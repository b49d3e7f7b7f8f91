"""A matplotlib figure, where it is installed, and its file written whole."""

from __future__ import annotations

import importlib
import io
from pathlib import Path
from typing import Any

from bridge.errors import BadInput
from bridge.textfile.read import read_bytes
from bridge.textfile.save import save_whole

KINDS = (".svg", ".png", ".pdf")
INCHES = (9.0, 9.0)  # in, width and height of a picture of two panels (judgement)


def new_figure(out: Path, inches: tuple[float, float] = INCHES) -> Any:
    """An empty matplotlib Figure. Raises BadInput without matplotlib or for the suffix."""
    if out.suffix.lower() not in KINDS:
        raise BadInput(
            f"{out}: a picture is written as {', '.join(KINDS)}, not '{out.suffix}'; choose one"
        )
    try:
        figure = importlib.import_module("matplotlib.figure")
    except ImportError:
        raise BadInput(
            "--plot needs matplotlib, which is not installed; install it with the plot extra:"
            " pip install 'arcstep[plot]'"
        ) from None
    return figure.Figure(figsize=inches, layout="constrained")


def save_figure(figure: Any, out: Path) -> None:
    """Write the picture whole, in place of any former one. Raises BadInput."""
    kind = out.suffix.lower().removeprefix(".")
    picture = io.BytesIO()
    matplotlib = importlib.import_module("matplotlib")
    # the same plan gives the same bytes; text stays text, so that it can be searched
    plain = {"svg.hashsalt": "arcstep", "svg.fonttype": "none"}
    dateless = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind)
    with matplotlib.rc_context(plain):
        figure.savefig(picture, format=kind, dpi=120, metadata=dateless)
    before = read_bytes(out) if out.exists() else None
    save_whole(out, picture.getvalue(), expected=before, backup=False)
