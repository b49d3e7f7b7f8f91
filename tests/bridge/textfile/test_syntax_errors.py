"""What is no TOML: each mistake in a whole sentence, and what could be read all the same."""

from __future__ import annotations

import pytest

from bridge.textfile.syntax_errors import MISTAKES_MOST, UNREADABLE, read_toml


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("a =", "1: a: has no value; write one after =, or remove the line"),
        ("a = 1\na = 2", "2: a: stands twice in its table; keep one of them"),
        ("a = -3,50", "1: a: -3,50 has a decimal comma; write -3.50"),
        ("a = 3,9 W", "1: a: 3,9 W is not a number; north and east are positive, so write -3.9"),
        ("a = -3.9s", "1: a: -3.9s is not a number; north and east are positive, so write 3.9"),
        ("a = +3.9N", "1: a: +3.9N is not a number; north and east are positive, so write 3.9"),
        ("a = 4.5.2026", "1: a: 4.5.2026 is not a date; write 2026-05-04"),
        ("a = .5", "1: a: .5 is not a number; write digits before and after the point, none extra"),
        ("a = 12 m", "1: a: 12 m is not a number; leave the unit out, it is in the key's name"),
        ("a = Yes", "1: a: Yes is not a value; write true or false"),
        ("a = oak", '1: a: oak is not a value; put text between quotes, a = "oak"'),
        (
            "a = 2026-13-04",
            "1: a: 2026-13-04 cannot be read (expected newline or end of document after a"
            " statement); mend the value",
        ),
        (
            "b = 1\na = [1, 2\n\n",
            "2: a: [1, 2 cannot be read (unclosed array); mend the value",
        ),
        (
            "[a",
            "1: not TOML: expected ']' at the end of a table declaration; mend this line",
        ),
        (
            f"a = {'!' * 60}",
            f"1: a: {'!' * 37}... cannot be read (invalid value); mend the value",
        ),
    ],
)
def test_each_mistake_has_its_sentence(text: str, sentence: str) -> None:
    _, _, problems = read_toml(text)
    assert [str(problem) for problem in problems] == [sentence]


def test_the_rest_is_read_and_the_bad_values_are_marked() -> None:
    data, valid, problems = read_toml("a = 1,5\nb = 2\n[c]\nd = oak\ne = 4\n")
    assert data == {"a": UNREADABLE, "b": 2, "c": {"d": UNREADABLE, "e": 4}}
    assert valid.count("\n") == 5
    assert [problem.line for problem in problems] == [1, 4]


def test_a_text_that_cannot_be_read_past_gives_no_data() -> None:
    assert read_toml("a = 1\n]\n")[:2] == ({}, "")


def test_after_many_mistakes_it_is_no_toml_at_all() -> None:
    text = "\n".join(f"k{n} = oak" for n in range(MISTAKES_MOST + 5))
    data, _, problems = read_toml(text)
    assert data == {}
    assert len(problems) == MISTAKES_MOST
