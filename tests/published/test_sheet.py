"""The list as CSV against a reader of CSV outside the project, and the rules of RFC 4180."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from bridge.station.csv_sheet import COLUMNS, read_sheet, write_sheet
from bridge.station.model import Position

NAMES = ("Alder", "Birch, the tall", 'Cedar "red"', "Dog;wood", "Ébène", "= 4.5", " Fir ")
LIST = [
    Position(number=n, name=name, longitude_deg=40.25 - 3 * n, count=90 * n, note=f"line\nof {n}")
    for n, name in enumerate(NAMES, 1)
]


def test_another_program_reads_what_is_written(tmp_path: Path) -> None:
    """sqlite3's shell reads CSV by itself (its manual: `.import --csv`, RFC 4180)."""
    shell = shutil.which("sqlite3")
    if shell is None:
        pytest.skip("no sqlite3 shell here to read the sheet with")
    sheet = tmp_path / "list.csv"
    sheet.write_bytes(write_sheet(LIST).encode("utf-8"))
    says = f".mode csv\n.import {sheet} list\nSELECT json_group_array(json_array(number, name,"
    says += " longitude_deg, count, note)) FROM list;\n"
    told = subprocess.run(
        [shell, "-batch", ":memory:"], input=says, capture_output=True, text=True, check=True
    )
    import csv
    import json

    [[cell]] = csv.reader(told.stdout.splitlines())
    read = [(int(n), name, float(lon), int(count), note) for n, name, lon, count, note in
            json.loads(cell)]  # fmt: skip
    wrote = [
        (row.number, row.name if row.number != 6 else "'= 4.5", row.longitude_deg, row.count,
         row.note)
        for row in LIST
    ]  # fmt: skip
    assert read == wrote


@pytest.mark.parametrize(
    ("body", "notes"),
    [
        # RFC 4180, section 2, rules 2, 5, 6 and 7 (from memory)
        ("1,aaa\r\n2,bbb", ["aaa", "bbb"]),  # the last line break may be left out
        ('"1","aaa"\r\n2,bbb\r\n', ["aaa", "bbb"]),  # cells may stand between quotes or not
        ('1,"b\r\nbb"\r\n2,zzz\r\n', ["b\r\nbb", "zzz"]),  # line breaks between quotes
        ('1,"b""bb"\r\n2,"a,b"\r\n', ['b"bb', "a,b"]),  # a quote is doubled; commas in quotes
    ],
)
def test_cells_as_the_rules_of_csv_have_them(body: str, notes: list[str]) -> None:
    rows = read_sheet(f"number,note\r\n{body}".encode(), "rules.csv").rows
    assert [cells["note"] for _, cells in rows] == notes


def test_the_header_is_the_keys_of_the_file() -> None:
    assert write_sheet([]).splitlines() == [",".join(COLUMNS)]
