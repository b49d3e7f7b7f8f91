"""A spreadsheet's rows merged into a station file."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import YardError
from bridge.station.csv_merge import Change, merge
from bridge.station.csv_sheet import read_sheet, write_sheet
from bridge.station.document import StationFile

STATION = """\
[station]
latitude_deg = 44.6
longitude_deg = 3.9

# the first
[[position]]
number = 1
name = "Alder"
longitude_deg = 41.20   # by the plan
count = 94
horizontal_deg = -45.0

[[position]]
number = 2
name = "Birch"
longitude_deg = 35.4
"""


@pytest.fixture
def file(tmp_path: Path) -> StationFile:
    path = tmp_path / "yard.toml"
    path.write_text(STATION, encoding="utf-8")
    return StationFile(path)


def test_a_list_that_went_out_changes_nothing_coming_back(file: StationFile) -> None:
    text = write_sheet(file.station.position, "comma")
    done = merge(file, read_sheet(text.encode("utf-8-sig"), "list.csv"))
    assert (done.changed, done.added, done.removed, done.absent) == ((), (), (), ())
    assert file.text == STATION
    assert file.save() is None


def test_rows_change_add_and_remove(file: StationFile) -> None:
    text = "number;name;longitude_deg;count\n1;Alder;41,2;\n9;Pine;-18,6;857\n"
    done = merge(file, read_sheet(text.encode(), "list.csv"))
    assert done.changed == (Change(1, "count", 94, None),)
    assert (done.added, done.removed, done.absent) == ((9,), (), (2,))
    assert "41.20   # by the plan\nhorizontal_deg" in file.text
    file.save()
    assert [row.count for row in file.station.position] == [None, None, 857]
    done = merge(file, read_sheet(text.encode(), "list.csv"), replace=True)
    assert (done.changed, done.added, done.removed, done.absent) == ((), (), (2,), ())
    file.save()
    assert [row.number for row in file.station.position] == [1, 9]


def test_columns_that_are_absent_are_left_alone(file: StationFile) -> None:
    merge(file, read_sheet(b"number,count\n2,181\n", "list.csv"))
    file.save()
    assert file.station.position[1].name == "Birch"
    assert file.station.position[1].count == 181
    with pytest.raises(YardError, match="row 2: name: is missing; position 5 is new"):
        merge(file, read_sheet(b"number,count\n5,181\n", "list.csv"))


def test_every_new_position_without_a_name_is_named_and_nothing_is_edited(
    file: StationFile,
) -> None:
    text = "number;count\n1;95\n8;1\n2;2\n12;3\n"
    with pytest.raises(YardError) as refused:
        merge(file, read_sheet(text.encode(), "list.csv"))
    assert str(refused.value).splitlines() == [
        "list.csv: row 3: name: is missing; position 8 is new, give it one",
        "list.csv: row 5: name: is missing; position 12 is new, give it one",
    ]
    assert file.text == STATION


def test_an_empty_cell_is_no_change_where_the_file_has_no_key_or_its_default(
    file: StationFile,
) -> None:
    text = "number,count,horizontal_deg,note,peaked\n1,94,,,\n2,,,,\n"
    done = merge(file, read_sheet(text.encode(), "list.csv"))
    assert done.changed == ()
    assert file.text == STATION


def test_what_changed_is_given_with_old_and_new_values_in_the_order_of_the_sheet(
    file: StationFile,
) -> None:
    text = "number,longitude_deg,horizontal_deg,name\n2,35.5,-44,Birch\n1,41.2,,Alder tree\n"
    done = merge(file, read_sheet(text.encode(), "list.csv"))
    assert done.changed == (
        Change(2, "longitude_deg", 35.4, 35.5),
        Change(2, "horizontal_deg", -45.0, -44.0),
        Change(1, "name", "Alder", "Alder tree"),
    )
    assert 'name = "Birch"\nlongitude_deg = 35.5\nhorizontal_deg = -44.0\n' in file.text
    assert 'name = "Alder tree"\nlongitude_deg = 41.20   # by the plan\n' in file.text


def test_replacing_the_whole_list_leaves_the_rest_of_the_file(file: StationFile) -> None:
    done = merge(file, read_sheet(b"number,name\n7,Oak\n", "list.csv"), replace=True)
    assert (done.added, done.removed, done.absent) == ((7,), (1, 2), ())
    head = STATION.split("# the first", maxsplit=1)[0]
    assert file.text == f'{head}[[position]]\nnumber = 7\nname = "Oak"\n'
