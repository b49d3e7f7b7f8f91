"""The position list in a spreadsheet and back."""

from __future__ import annotations

import csv
import io
from datetime import date
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import YardError
from bridge.station.csv_sheet import COLUMNS, read_sheet, write_sheet
from bridge.station.model import Position

ALDER = Position(number=1, name="Alder", longitude_deg=41.2, count=94, peaked=date(2026, 5, 4))
PINE = Position(number=15, name="Pine; west", longitude_deg=-18.6, note='behind the "chimney"')


def refusal(text: str | bytes) -> list[str]:
    with pytest.raises(YardError) as refused:
        read_sheet(text if isinstance(text, bytes) else text.encode(), "list.csv")
    return str(refused.value).splitlines()


def test_plain_csv() -> None:
    """RFC 4180: lines end CRLF, quotes double inside quotes."""
    assert write_sheet([ALDER, PINE]).split("\r\n") == [
        "number,name,longitude_deg,count,horizontal_deg,vertical_deg,peaked,note",
        "1,Alder,41.2,94,-45.0,45.0,2026-05-04,",
        '15,Pine; west,-18.6,,-45.0,45.0,,"behind the ""chimney"""',
        "",
    ]


def test_decimal_commas() -> None:
    rows = list(csv.reader(io.StringIO(write_sheet([PINE], "comma")), delimiter=";"))
    assert rows[1][:4] == ["15", "Pine; west", "-18,6", ""]


positions = st.builds(
    Position,
    number=st.integers(1, 255),
    name=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=8)
    .filter(str.isprintable)
    .filter(lambda name: name == name.strip()),
    longitude_deg=st.none() | st.floats(-180, 180).map(lambda x: round(x, 3)),
    count=st.none() | st.integers(-999, 9999),
    horizontal_deg=st.floats(-180, 180).map(lambda x: round(x, 2)),
    peaked=st.none() | st.dates(),
    note=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=9),
)


@given(
    st.lists(positions, max_size=5, unique_by=lambda row: row.number),
    st.sampled_from(["point", "comma"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_out_and_in_again_is_the_same(
    rows: list[Position], decimal: Literal["point", "comma"], encoding: str
) -> None:
    sheet = read_sheet(write_sheet(rows, decimal).encode(encoding), "list.csv")
    assert sheet.columns == COLUMNS
    again = [{k: v for k, v in cells.items() if v is not None} for _, cells in sheet.rows]
    assert [Position.model_validate(cells) for cells in again] == rows


def test_what_spreadsheets_make_of_a_list() -> None:
    text = (
        "\ufeffNumber ;NAME;longitude_deg;count;peaked;;\r\n"
        "1;Alder;41,2E;94,0;04.05.2026;;\r\n"
        ";;;;;;\r\n"
        "\r\n"
        "2; Rowan ;\N{MINUS SIGN}28,7;;2026-05-04 00:00:00;;\r\n"
        "3;Pine;18.6 W;+857;;;\r\n"
    )
    sheet = read_sheet(text.encode(), "list.csv")
    assert sheet.columns == ("number", "name", "longitude_deg", "count", "peaked")
    assert [row for row, _ in sheet.rows] == [2, 5, 6]
    cells = [tuple(found.values()) for _, found in sheet.rows]
    assert cells[0] == (1, "Alder", 41.2, 94, date(2026, 5, 4))
    assert cells[1] == (2, "Rowan", -28.7, None, date(2026, 5, 4))
    assert cells[2] == (3, "Pine", -18.6, 857, None)
    tabs = 'sep=\t\nnumber\tname\n7\t"a\nb"\n8\tc\n'
    assert refusal(tabs) == [
        "list.csv: row 2: name: 'a\\nb' holds a control character; write it on one line"
    ]


def test_text_that_a_spreadsheet_would_reckon() -> None:
    row = Position(number=1, name="=1+1", note="-45 in winter")
    text = write_sheet([row])
    assert "'=1+1" in text
    assert "'-45 in winter" in text
    [(_, cells)] = read_sheet(text.encode(), "a").rows
    assert (cells["name"], cells["note"]) == ("=1+1", "-45 in winter")
    assert read_sheet(b"number,name,note\n1,A,'68 model\n", "a").rows[0][1]["note"] == "'68 model"


def test_every_mistake_by_row_and_column() -> None:
    text = (
        "number;name;longitude_deg;count;peaked\n"
        "1;Alder;355;94;\n"
        "2;Birch;35,4;9x;05/04/2026\n"
        "\n"
        "300;;30,2;94,5;31.02.2026\n"
        "2;Cedar;30,2\n"
        "2;Dogwood;25,1;331;\n"
    )
    assert refusal(text) == [
        "list.csv: row 2: longitude_deg: 355 is not within -180 to 180 deg; east is positive, so"
        " write -5",
        "list.csv: row 3: count: '9x' is not a number; write digits, with a point or a comma",
        "list.csv: row 3: peaked: '05/04/2026' may be read in two ways; write 2026-04-05 or"
        " 2026-05-04",
        "list.csv: row 5: peaked: '31.02.2026' is no day of the calendar; correct it",
        "list.csv: row 5: number: 300 is not within 1 to 255; the bus carries no other",
        "list.csv: row 5: name: is missing; add it",
        "list.csv: row 5: count: 94.5 is not a whole number; write a whole number",
        "list.csv: row 6: holds 3 cells under 5 columns, separated by semicolons; put text that"
        " holds one between quotes",
        "list.csv: row 7: number: 2 stands in row 3 too; give each its own",
    ]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("\n \n", "is empty"),
        ("name,longitud_deg\nA,4", "write longitude_deg"),
        ("name\nA", "column number is missing"),
        ("number,name,name\n1,A,B", "stands twice"),
        ("number,brand\n1,A", "known are number, name"),
        ("number,name,longitude_deg\n1,A,41,2", "separate columns by ;"),
        ('number,name\n1,"A', "close its quotes"),
        ('number,name\n1,"A"B', "row 2: cannot be read"),
        (b"number,name\n1,H\xfcgel", "line 2: byte 15 is not UTF-8; save the sheet as CSV UTF-8"),
        (b"\xff\xfen\x00u\x00", "row 1: column 'nu'"),
        ("number,name\n,A", "number: is missing"),
        (
            "number,longitude,count\n1,4,9x",
            "column 'longitude' is no key of a position; write",
        ),
        ("number,longitude,count\n1,4,9x", "row 2: count: '9x' is not a number"),
        ("number,,name\n1,here,A", "row 2: 'here' stands in a column without a name"),
        ("number,peaked\n1,31/12/2026", "'31/12/2026' is not sure; write 2026-12-31"),
        ("number,peaked\n1,02/30/2026", "'02/30/2026' is no day of the calendar"),
        ("number,peaked\n1,45416", "a sheet's own number of a day; format it as 2026-05-04"),
        ("number,peaked\n1,4.5.26", "no date that is sure; write it as 2026-05-04"),
    ],
)
def test_sheets_that_cannot_be_taken(text: str | bytes, says: str) -> None:
    assert any(says in line for line in refusal(text))


@given(st.binary(max_size=80))
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    for head in (b"", b"number;name\n", b"number,name,peaked\n1,"):
        try:
            read_sheet(head + content, "list.csv")
        except YardError as error:
            said = str(error)
        else:
            said = "list.csv: read"
        assert said.startswith("list.csv: ")


def test_empty_columns_and_rows_of_a_sheet_are_passed_over() -> None:
    text = "count;;number;NAME;;\r\n;;;;;\r\n94;;1;Alder;;\r\n"
    sheet = read_sheet(text.encode("utf-8-sig"), "a")
    assert sheet.columns == ("count", "number", "name")
    assert sheet.rows == ((3, {"count": 94, "number": 1, "name": "Alder"}),)


@pytest.mark.parametrize(
    "cell",
    ["2026-05-04", "2026/05/04", "4.5.2026", "04.05.2026", "2026-05-04 00:00:00"],
)
def test_days_that_are_sure(cell: str) -> None:
    [(_, cells)] = read_sheet(f"number,peaked\n1,{cell}".encode(), "a").rows
    assert cells["peaked"] == date(2026, 5, 4)
