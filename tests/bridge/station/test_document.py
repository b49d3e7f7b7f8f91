"""Station files rewritten: only what was asked for differs, and only whole files are saved."""

from __future__ import annotations

import difflib
import os
import tomllib
from datetime import date
from pathlib import Path

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import BadInput, YardError
from bridge.station.document import StationFile
from bridge.textfile.places import places_of
from bridge.textfile.save import backup_of

TEXT = """\
# the list of a dish that nobody has
[station]
name = "Test Yard"   # painted on the gate
latitude_deg = 44.60
longitude_deg = 3.90            # east positive
obstacles = [ { azimuth_deg = [350, 10], elevation_deg = 35 },  # wraps north
              { azimuth_deg = [209, 212], elevation_deg = 35 } ]

# measured twice
[limits]
east = 45
west = 985   # clear of the fence

# ---- the east side ----

# hard to peak in wind
[[position]]
number = 1
name = "Alder"
longitude_deg = 41.20
count = 94      # arrives moving west
note = '''two
lines'''

# its neighbour
[[position]]
number = 2
name = "Birch"
  longitude_deg = 35.4

# ---- the west side ----

[[position]]
number = 3
name = "Rowan"
longitude_deg = -28.7
peaked = 2026-05-04
# end of the list
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "yard.toml"
    file.write_text(TEXT, encoding="utf-8")
    return file


def changes(before: str, after: str) -> list[str]:
    lines = difflib.ndiff(before.splitlines(), after.splitlines())
    return [line for line in lines if line[0] in "+-"]


def test_nothing_changed_writes_nothing(path: Path) -> None:
    file = StationFile(path)
    file.set_position(1, "longitude_deg", 41.2)  # the same number in another spelling
    assert file.save() is None
    assert path.read_text(encoding="utf-8") == TEXT
    assert os.listdir(path.parent) == ["yard.toml"]


def test_one_key_changes_one_line_and_keeps_its_comment(path: Path) -> None:
    file = StationFile(path)
    file.set_position(1, "count", 104)
    file.save()
    assert changes(TEXT, path.read_text(encoding="utf-8")) == [
        "- count = 94      # arrives moving west",
        "+ count = 104      # arrives moving west",
    ]
    assert file.station.position[0].count == 104


def test_a_new_key_stands_where_the_contract_has_it(path: Path) -> None:
    file = StationFile(path)
    file.edit({("position", 1, "peaked"): date(2026, 5, 4), ("position", 1, "count"): 181})
    assert changes(TEXT, file.text) == ["+   count = 181", "+   peaked = 2026-05-04"]
    file.set(("limits", "west"), 980)
    file.set(("station", "height_m"), 210)
    assert file.text.index("height_m = 210") < file.text.index("obstacles")
    file.save()


def test_a_table_that_was_missing(path: Path) -> None:
    file = StationFile(path)
    file.edit({("dish", "frequency_ghz"): 12.0, ("dish", "diameter_m"): 1.2})
    added = [line for line in changes(TEXT, file.text) if line != "+ "]
    assert added == ["+ [dish]", "+ diameter_m = 1.2", "+ frequency_ghz = 12.0"]
    assert file.text.index("[dish]") < file.text.index("# hard to peak")
    file.save()


def test_removing_keys(path: Path) -> None:
    file = StationFile(path)
    file.set_position(1, "note", None)
    file.set_position(2, "count", None)  # was not there
    assert changes(TEXT, file.text) == ["- note = '''two", "- lines'''"]


def test_removing_a_position_leaves_the_next_ones_comment(path: Path) -> None:
    file = StationFile(path)
    file.remove(1)
    gone = changes(TEXT, file.text)
    assert "- # hard to peak in wind" in gone
    assert all(line[0] == "-" for line in gone)
    assert "# its neighbour\n[[position]]\nnumber = 2" in file.text
    assert "# ---- the east side ----\n\n# its neighbour" in file.text
    file.remove(3)
    file.remove(2)
    assert "# ---- the west side ----" in file.text
    assert "position" not in tomllib.loads(file.text)
    file.save()


def test_adding_positions(path: Path) -> None:
    file = StationFile(path)
    file.add({"name": "Pine", "number": 7, "longitude_deg": -18.6, "count": None})
    added = changes(TEXT, file.text)
    assert [line for line in added if line[2:]] == [
        "+ [[position]]",
        "+ number = 7",
        '+ name = "Pine"',
        "+ longitude_deg = -18.6",
    ]
    file.save()
    assert [row.number for row in StationFile(path).station.position] == [1, 2, 3, 7]


def test_adding_to_an_empty_list(tmp_path: Path) -> None:
    path = tmp_path / "yard.toml"
    path.write_text("[station]\nlatitude_deg = 1\nlongitude_deg = 2", encoding="utf-8")
    file = StationFile(path)
    file.add({"number": 1, "name": "Alder"})
    file.save()
    assert path.read_text(encoding="utf-8").endswith(
        '2\n\n[[position]]\nnumber = 1\nname = "Alder"\n'
    )


def test_positions_in_braces(tmp_path: Path) -> None:
    path = tmp_path / "yard.toml"
    head = "station = { latitude_deg = 1, longitude_deg = 2 }\n"
    path.write_text(head + 'position = [ { number = 1, name = "A", count = 5 }, ]\n', "utf-8")
    file = StationFile(path)
    file.edit({("position", 0, "count"): None, ("position", 0, "longitude_deg"): 4.0})
    assert 'position = [ { number = 1, name = "A", longitude_deg = 4.0 }, ]' in file.text
    file.edit({("position", 0, "longitude_deg"): None, ("position", 0, "name"): None})
    assert "position = [ { number = 1 }, ]" in file.text
    file.set(("position", 0, "name"), "A")
    before = file.text
    for change in (lambda: file.remove(1), lambda: file.add({"number": 2, "name": "B"})):
        with pytest.raises(BadInput) as refused:
            change()
        assert str(refused.value) == (
            f"{path}: its positions are members of one list in brackets; write each as a table"
            " [[position]] of its own, then entries can be added and removed"
        )
    assert file.text == before
    file.set(("station", "latitude_deg"), 3)
    file.save()


def test_an_edit_of_what_is_not_there_is_refused(path: Path) -> None:
    file = StationFile(path)
    with pytest.raises(BadInput) as refused:
        file.set(("position", 7, "count"), 5)
    assert str(refused.value) == f"{path}: there is no position.8 to set count in"
    file.set(("position", 7, "count"), None)  # gone already
    assert file.text == TEXT


def test_a_table_of_dotted_keys_is_not_guessed_at(tmp_path: Path) -> None:
    path = tmp_path / "yard.toml"
    text = "limits.east = 45\nlimits.west = 985\n[station]\nlatitude_deg = 1\nlongitude_deg = 2\n"
    path.write_text(text, encoding="utf-8")
    file = StationFile(path)
    file.set(("limits", "east"), 50)
    with pytest.raises(BadInput) as refused:
        file.set(("limits", "both"), 5)
    assert str(refused.value) == (
        f"{path}: limits has no table of its own; write its keys under [limits], then both can be"
        " added"
    )


def test_problems_of_edits_are_given_with_their_lines(path: Path) -> None:
    file = StationFile(path)
    assert file.problems() == []
    file.set_position(1, "number", 2)
    file.set(("limits", "east"), 2000)
    assert [(problem.line, problem.key) for problem in file.problems()] == [
        (10, "limits"),
        (27, "position.2.number"),
    ]
    assert str(file.problems()[0]) == (
        "10: limits: east 2000 is not below west 985; counts grow west, so swap them"
    )
    assert file.station.position[0].number == 1  # as last saved


def test_line_ends_and_byte_order_mark_stay(tmp_path: Path) -> None:
    path = tmp_path / "yard.toml"
    raw = b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode()
    path.write_bytes(raw)
    file = StationFile(path)
    file.set_position(2, "count", 181)
    file.add({"number": 9, "name": "Oak"})
    file.save()
    after = path.read_bytes()
    assert after.startswith(b"\xef\xbb\xbf# the list")
    assert after.count(b"\n") == after.count(b"\r\n")
    assert backup_of(path).read_bytes() == raw


def test_an_edit_that_breaks_the_file_is_refused_before_it_is_written(path: Path) -> None:
    file = StationFile(path)
    file.set_position(1, "number", 2)
    file.set(("limits", "east"), 2000)
    with pytest.raises(YardError) as refused:
        file.save()
    assert len(str(refused.value).splitlines()) == 2
    assert path.read_text(encoding="utf-8") == TEXT
    with pytest.raises(BadInput, match="no position has number 77; there are 2, 2, 3"):
        file.set_position(77, "count", 1)


def test_the_second_program_to_save_is_refused(path: Path) -> None:
    first, second = StationFile(path), StationFile(path)
    first.set_position(1, "count", 95)
    second.set_position(2, "count", 181)
    first.save()
    with pytest.raises(BadInput, match="changed by another program"):
        second.save()
    assert [row.count for row in StationFile(path).station.position] == [95, None, None]
    first.set_position(1, "count", 96)
    assert first.save() == path.with_name("yard.toml.bak")
    assert [row.count for row in StationFile(path).station.position] == [96, None, None]


# ---- any file, any edit ---------------------------------------------------------------------

words = st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]), max_size=12)
blanks = st.sampled_from(["", "\n", "# a remark\n", "\n# [[position]]\n\n", "   # count = 5\n"])
spaces = st.sampled_from([" ", "  ", "\t"])
positions = st.fixed_dictionaries(
    {"name": words.filter(str.isprintable)},
    optional={
        "longitude_deg": st.floats(-180, 180).map(lambda x: round(x, 2)),
        "count": st.integers(0, 1000),
        "horizontal_deg": st.floats(-90, 90).map(lambda x: round(x, 1)),
        "peaked": st.dates(),
        "note": words,
    },
)


@st.composite
def files(draw: st.DrawFn) -> tuple[str, int]:
    """The text of a station file as people write them, and how many positions it holds."""
    parts = ["[station]\nlatitude_deg = 44.6\nlongitude_deg = 3.9\n", draw(blanks)]
    rows = draw(st.lists(positions, min_size=1, max_size=4))
    for number, row in enumerate(rows, 1):
        parts += [draw(blanks), "[[position]]" + draw(st.sampled_from(["", "  # next"])) + "\n"]
        pairs = draw(st.permutations(list({"number": number, **row}.items())))
        for key, value in pairs:
            written = tomlkit.item(value).as_string()
            end = draw(st.sampled_from(["", " # [x] = 1", "\t#"]))
            parts.append(f"{key}{draw(spaces)}={draw(spaces)}{written}{end}\n")
            if not draw(st.integers(0, 3)):
                parts.append(draw(blanks))
    parts.append(draw(blanks))
    text = "".join(parts)
    return (text.replace("\n", "\r\n") if draw(st.booleans()) else text), len(rows)


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("any") / "yard.toml"


def opened(scratch: Path, text: str) -> StationFile:
    scratch.write_bytes(text.encode())
    return StationFile(scratch)


@given(files(), st.data())
def test_set_one_key_and_only_its_line_differs(
    scratch: Path, written: tuple[str, int], data: st.DataObject
) -> None:
    text, rows = written
    row = data.draw(st.integers(0, rows - 1))
    key, value = data.draw(
        st.one_of(
            st.tuples(st.just("count"), st.integers(-999, 999)),
            st.tuples(st.just("note"), words),
            st.tuples(st.just("peaked"), st.dates()),
            st.tuples(st.just("longitude_deg"), st.floats(-180, 180)),
        )
    )
    file = opened(scratch, text)
    file.set(("position", row, key), value)
    file.save()
    after = scratch.read_bytes().decode()
    expected = tomllib.loads(text)
    there = key in expected["position"][row]
    same = there and expected["position"][row][key] == value
    expected["position"][row][key] = value
    assert tomllib.loads(after) == expected  # tomllib: no reader of ours
    old, new = text.splitlines(keepends=True), after.splitlines(keepends=True)
    if there:
        assert len(old) == len(new)
        assert sum(a != b for a, b in zip(old, new, strict=True)) == (0 if same else 1)
    else:
        matcher = difflib.SequenceMatcher(None, old, new, autojunk=False)
        kinds = [code for code in matcher.get_opcodes() if code[0] != "equal"]
        assert [(kind, j2 - j1) for kind, _, _, j1, j2 in kinds] == [("insert", 1)]


@given(files(), st.data())
def test_add_and_remove_touch_no_other_position(
    scratch: Path, written: tuple[str, int], data: st.DataObject
) -> None:
    text, rows = written
    file = opened(scratch, text)
    number = data.draw(st.integers(1, rows))
    expected = tomllib.loads(text)
    del expected["position"][number - 1]
    file.remove(number)
    file.add({"number": 200, "name": "late"})
    expected["position"].append({"number": 200, "name": "late"})
    assert tomllib.loads(file.text) == expected
    file.remove(200)
    places = places_of(text)
    for row in set(range(rows)) - {number - 1}:
        end = max(place.end for path, place in places.items() if path[:2] == ("position", row))
        assert text[places["position", row].key : end] in file.text
