"""What is found in a list: by itself, against another list, or against a log."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ListFinding:
    """One thing found; `grave` ones fail the check. `number` is None for the list as a whole.

    `line` is where in a log it was seen. `subject` is what differs between two files, where
    `detail` says only how: "count of Alder" and "94 -> 104 (+10)".
    """

    number: int | None
    code: str
    detail: str
    grave: bool = True
    line: int | None = None
    subject: str = ""

    @property
    def sentence(self) -> str:
        """The finding in words that stand alone."""
        return f"{self.subject}: {self.detail}" if self.subject else self.detail
