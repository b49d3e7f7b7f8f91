"""What has been put back so far, kept in a file so that it can go on after anything."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TypeVar

from bridge.errors import BadInput
from bridge.textfile.save import save_whole

FORMAT = 1


@dataclass(slots=True)
class Entry:
    """One place that was set: at which count, in which session, and what was seen of it."""

    count: int
    session: int
    state: str  # "sent", "acknowledged" by a reply, or (a limit) "holds"
    note: str = ""
    loose: bool = False  # a limit past which the dish could still be driven


@dataclass(slots=True)
class Proof:
    """One return to a stored position: the count it came to rest at, and what the meter showed
    there and at the place beside it where the return began."""

    count: int
    ok: bool
    note: str = ""
    signal_db: float | None = None
    beside_db: float | None = None


@dataclass(slots=True)
class Journal:
    """The state of one restoration; `fingerprint` tells the list, `boot` to `tally` the count."""

    fingerprint: str
    session: int = 1
    boot: int | None = None
    trips: int = 0
    pulses: int = 0
    tally: int = 0
    reference: str = ""  # how the count was known, in words
    entries: dict[str, Entry] = field(default_factory=dict)
    proofs: dict[str, Proof] = field(default_factory=dict)
    finished: bool = False

    def forget(self) -> None:
        """Nothing that was set before can be relied on any more."""
        self.entries.clear()
        self.proofs.clear()

    def begin_again(self) -> None:
        """A new session: what failed its proof is put back anew, with all of its session."""
        failed = {
            self.entries[key].session
            for key, proof in self.proofs.items()
            if not proof.ok and key in self.entries
        }
        self.entries = {
            key: entry
            for key, entry in self.entries.items()
            if entry.session not in failed and not entry.loose
        }
        self.proofs.clear()
        self.session += 1
        self.finished = False

    def dump(self) -> str:
        return json.dumps({"format": FORMAT, **asdict(self)}, indent=1) + "\n"

    @classmethod
    def parse(cls, text: str, where: Path) -> Journal:
        """From `dump`; BadInput for anything else."""
        try:
            told = json.loads(text)
            if told.pop("format") != FORMAT:
                raise ValueError("another format")  # noqa: TRY301 - told below
            told["entries"] = _table(told["entries"], Entry)
            told["proofs"] = _table(told["proofs"], Proof)
            journal = cls(**told)
            whole = (journal.session, journal.trips, journal.pulses, journal.tally)
            if not all(type(number) is int for number in whole):
                raise ValueError("a number that is none")  # noqa: TRY301 - told below
            if not all(type(entry.count) is int for entry in journal.entries.values()):
                raise ValueError("a count that is none")  # noqa: TRY301 - told below
        except (ValueError, KeyError, TypeError, AttributeError):
            raise BadInput(
                f"{where}: this is no journal of a restoration; move it away to begin anew, or "
                "name another with --journal"
            ) from None
        return journal


Row = TypeVar("Row", Entry, Proof)


def _table(rows: Mapping[str, dict[str, object]], kind: type[Row]) -> dict[str, Row]:
    return {key: kind(**row) for key, row in rows.items()}  # type: ignore[arg-type]


class JournalFile:
    """A journal on disk, replaced whole at each save; two programs on one are told."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._on_disk: bytes | None = None

    def load(self) -> Journal | None:
        """None where there is none yet. Raises BadInput."""
        try:
            self._on_disk = self.path.read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise BadInput(
                f"{self.path}: cannot be read: {error.strerror}; name another with --journal"
            ) from None
        return Journal.parse(self._on_disk.decode("utf-8", "replace"), self.path)

    def save(self, journal: Journal) -> None:
        """Raises BadInput where it cannot be written, or another program has written it."""
        content = journal.dump().encode()
        if content == self._on_disk:
            return
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise BadInput(
                f"{self.path}: its folder cannot be made: {error.strerror}; name another with "
                "--journal"
            ) from None
        save_whole(self.path, content, expected=self._on_disk, keep=False)
        self._on_disk = content
