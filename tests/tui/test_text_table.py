"""Tables of text: widths in cells of a terminal, whatever the letters."""

from __future__ import annotations

import pytest

from tui.text_table import Column, cells_of, fit, number, room, side, table, widened

NARROW = (Column("no", 3), Column("name", 4, right=False), Column("count", 5))


def test_wide_letters_fill_two_cells_and_accents_none() -> None:
    assert cells_of("Fir") == 3
    assert cells_of("衛星") == 4
    assert cells_of("e\N{COMBINING ACUTE ACCENT}") == 1


def test_a_text_is_cut_or_padded_to_its_cells() -> None:
    assert fit("Nettle", 6) == "Nettle"
    assert fit("Nettle", 5) == "Nett…"
    assert fit("衛星放送", 5) == "衛星…"
    assert fit("衛星放送", 6) == "衛星… "  # half a letter does not fit
    assert fit("衛星", 5, right=True) == " 衛星"
    assert fit("a\x1b[31mb", 8) == "a?[31mb "


def test_a_table_has_its_heads_first_and_no_blanks_at_the_end() -> None:
    lines = table(NARROW, [["1", "Alder", "94"], ["12", "Elm", ""]])
    assert lines == [" no name count", "  1 Ald…    94", " 12 Elm"]


@pytest.mark.parametrize(("cells", "width"), [(14, 4), (15, 5), (16, 6), (20, 6), (5, 4)])
def test_names_get_the_room_there_is_and_no_more_than_they_need(cells: int, width: int) -> None:
    columns = widened(NARROW, ["Nettle", "Elm"], cells)
    assert [column.width for column in columns] == [3, width, 5]
    assert [column.head for column in columns] == ["no", "name", "count"]
    assert len(table(columns, [["1", "Nettle", "5"]])[1]) <= max(cells, 14)


def test_no_names_need_no_room() -> None:
    assert widened(NARROW, [], 80) == list(NARROW)


def test_a_terminal_wider_than_80_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    for columns, cells in (("132", 132), ("60", 80), ("80", 80)):
        monkeypatch.setenv("COLUMNS", columns)
        assert room() == cells


def test_numbers_and_sides() -> None:
    assert [number(2.345, 2), number(-0.5, 1, sign=True), number(7, 0, sign=True)] == [
        "2.35", "-0.5", "+7",
    ]  # fmt: skip
    assert number(None, 2) == "-"
    assert [side(3.94), side(-3.96), side(3.9, 4)] == ["3.9E", "4.0W", "3.9000E"]
