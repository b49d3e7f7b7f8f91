"""What the options and arguments of the commands are called, once for all of them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Group, Parameter

DEMO_PORT = "sim://larkmere"

MOVING = Group("At the dish", sort_key=1)
BUS = Group("On the bus", sort_key=2)
LIST = Group("The position list", sort_key=3)

Port = Annotated[str, Parameter(name="--port", help="device path, socket:// or sim:// URL")]


def refuse_option(_type: object, value: object) -> None:
    """Refuse a name that begins with a hyphen: it is a mistyped option. A hyphen alone is stdin."""
    for name in value if isinstance(value, tuple) else (value,):
        if isinstance(name, str | Path) and str(name).startswith("-") and str(name) != "-":
            raise ValueError(f"{name} is no option")


File = Annotated[
    str,
    Parameter(
        help="capture file; - reads standard input",
        allow_leading_hyphen=True,
        validator=refuse_option,
    ),
]
AsJson = Annotated[bool, Parameter(name="--json", negative=(), help="one JSON object a line")]
Rate = Annotated[
    float | None, Parameter(name="--rate", help="samples per second, where the file has none")
]
StationFile = Annotated[Path, Parameter(help="station file (.toml)")]
Plot = Annotated[Path | None, Parameter(help="picture file: .svg, .png or .pdf")]
