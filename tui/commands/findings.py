"""What was found in a position list, one finding a line, for `positions check` and `diff`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from json import dumps

from sim.lists.finding import ListFinding


def print_findings(
    findings: Sequence[ListFinding],
    json: bool,
    names: Mapping[int, str],
    grades: bool = False,
    log: str | None = None,
) -> None:
    """Print each finding whole: a line that is cut tells nobody what to do.

    `grades` puts "error" or "note" before each; `log` is the file whose lines the findings name.
    """
    for finding in findings:
        print(_object(finding, log) if json else _line(finding, names, grades))


def _object(finding: ListFinding, log: str | None) -> str:
    pairs: dict[str, object] = {
        "number": finding.number,
        "code": finding.code,
        "detail": finding.sentence,
    }
    if log is not None:
        pairs |= {"differs": finding.grave, "file": log, "line": finding.line}
    return dumps(pairs, ensure_ascii=False)


def _line(finding: ListFinding, names: Mapping[int, str], grades: bool) -> str:
    grade = ("error  " if finding.grave else "note   ") if grades else ""
    return f"{grade}{position_of(finding, names) or 'list'}: {finding.code}: {finding.detail}"


def position_of(finding: ListFinding, names: Mapping[int, str]) -> str:
    """Number and name of the position a finding is about; empty for the list as a whole."""
    if finding.number is None:
        return ""
    return f"{finding.number} {names.get(finding.number, '')}".rstrip()


def count_of(number: int, noun: str) -> str:
    """How many of something there are.

    >>> count_of(1, "error"), count_of(0, "note")
    ('1 error', '0 notes')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
