"""What has been put back so far, kept in a file so that it can go on after anything."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Literal

from bridge.errors import BadInput
from bridge.textfile.save import save_whole

if TYPE_CHECKING:
    from pydantic import ConfigDict, TypeAdapter

FORMAT = 1
EntryState = Literal["sent", "acknowledged", "holds"]  # a limit that stops a drive holds
_CHECKED: ConfigDict = {"extra": "forbid"}


@dataclass(slots=True)
class JournalEntry:
    """One place that was set: at which count, in which session, and how far that is sure."""

    __pydantic_config__: ClassVar[ConfigDict] = _CHECKED
    count: int
    session: int
    state: EntryState
    note: str = ""
    loose: bool = False  # a limit past which the dish could still be driven


@dataclass(slots=True)
class Proof:
    """One return to a stored position: the count where it came to rest, and the meter there.

    `beside_db` is what the meter showed where the return began.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _CHECKED
    count: int
    ok: bool
    note: str = ""
    signal_db: float | None = None
    beside_db: float | None = None


@dataclass(slots=True)
class Journal:
    """The state of one restoration.

    `fingerprint` identifies the list; `boot`, `trips`, `pulses` and `tally` are the adapter's at
    the last save, `boot` None before the first.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _CHECKED
    fingerprint: str
    session: int = 1
    boot: int | None = None
    trips: int = 0
    pulses: int = 0
    tally: int = 0
    reference: str = ""  # how the count was known, in words
    entries: dict[str, JournalEntry] = field(default_factory=dict)
    proofs: dict[str, Proof] = field(default_factory=dict)
    finished: bool = False

    def forget(self) -> None:
        """Drop all that was set before: none of it can be relied on any more."""
        self.entries.clear()
        self.proofs.clear()

    def begin_session(self) -> None:
        """Begin a new session: what failed its proof is to be put back, with all of its session."""
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
        """The journal as JSON text."""
        return json.dumps({"format": FORMAT, **asdict(self)}, indent=1) + "\n"

    @classmethod
    def parse(cls, text: str, where: Path) -> Journal:
        """From the text of `dump`; BadInput for anything else."""
        try:
            content = json.loads(text)
            if not isinstance(content, dict) or content.pop("format", None) != FORMAT:
                raise ValueError("another format")  # noqa: TRY301  # one sentence for all
            journal = _checker().validate_json(json.dumps(content), strict=True)
        except ValueError:
            raise BadInput(
                f"{where}: this is no journal of a restoration; move it away to begin anew, or "
                "name another with --journal"
            ) from None
        return journal


@cache
def _checker() -> TypeAdapter[Journal]:
    from pydantic import TypeAdapter  # noqa: PLC0415  # slow to import

    return TypeAdapter(Journal)


class JournalFile:
    """A journal on disk, replaced whole at each save; a second program on it is noticed."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._on_disk: bytes | None = None

    def load(self) -> Journal | None:
        """The journal, None where there is none yet. Raises BadInput."""
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
        save_whole(self.path, content, expected=self._on_disk, backup=False)
        self._on_disk = content
