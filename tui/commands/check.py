"""`arcstep positions check`: the mistakes in a list."""

from __future__ import annotations

from pathlib import Path

from bridge.textfile.read import read_text
from sim.lists.check import check_text
from tui.commands.findings import count_of, print_findings


def run(station: Path, *, json: bool = False) -> int:
    """Print what is wrong or odd in a list; 1 where something is wrong, 0 otherwise."""
    checkup = check_text(read_text(station), str(station))
    print_findings(checkup.findings, json, checkup.names, grades=True)
    errors = sum(finding.grave for finding in checkup.findings)
    if not json:
        notes = len(checkup.findings) - errors
        print(
            f"{count_of(checkup.rows, 'position')}: {count_of(errors, 'error')},"
            f" {count_of(notes, 'note')}"
        )
    return 1 if errors else 0
