"""One thing found by the audit, as a value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "warning", "note"]

STANDARD = "DiSEqC Bus Functional Specification 4.2"
POSITIONER_NOTE = "DiSEqC Positioner Application Note 1.0"
PRACTICE = "common practice"


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found, when, against which rule, and what a positioner would make of it.

    `t_s` is the capture's own time, None where it has none. `measured` and `required` are in
    words with their units, empty where the rule is about order alone.
    """

    t_s: float | None
    code: str
    severity: Severity
    detail: str
    effect: str
    basis: str
    measured: str = ""
    required: str = ""

    def to_json(self, file: str) -> dict[str, object]:
        return {
            "file": file,
            "t_s": None if self.t_s is None else round(self.t_s, 7),
            "kind": "finding",
            "code": self.code,
            "severity": self.severity,
            "measured": self.measured or None,
            "required": self.required or None,
            "basis": self.basis,
            "detail": self.detail,
            "effect": self.effect,
        }
