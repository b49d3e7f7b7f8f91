"""TOML files checked against a pydantic model, with every mistake told at once by line and key."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from bridge.errors import YardError
from bridge.textfile.mistakes import Mistake, Source, mistakes_in
from bridge.textfile.places import line_of
from bridge.textfile.syntax_errors import MARK, Slip, read_past

__all__ = ["Checked", "Mistake", "Table", "check", "line_of", "parse_checked", "read_text"]


class Table(BaseModel):
    """A table of a data file: unknown keys, infinities and NaN are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @classmethod
    def conflicts(cls, data: Mapping[str, object], source: Source) -> Iterable[Mistake]:
        """What is wrong between tables, looked for in the raw data even where some are wrong.

        The data may hold anything: an entry that is no good by itself is to be passed over.
        """
        del data, source
        return ()


Model = TypeVar("Model", bound=Table)


class Checked(Generic[Model]):
    """A text held against a model: the model where it fits, and every mistake where not."""

    def __init__(self, text: str, where: str, model: type[Model]) -> None:
        data, read, self.slips = read_past(text)
        self.data: Mapping[str, object] = data
        self.source = Source.of(read, where)
        self.model: Model | None = None
        mistakes: list[Mistake] = []
        if data or not self.slips:
            try:
                self.model = model.model_validate(data)
            except ValidationError as error:
                mistakes += mistakes_in(error, self.source, model)
            mistakes += model.conflicts(data, self.source)
        self.mistakes = [m for m in mistakes if not self._unread(m)]

    def _unread(self, mistake: Mistake) -> bool:
        """True for what only follows from a slip that is told already."""
        value: object = self.data
        for part in mistake.path:
            if isinstance(value, Mapping):
                value = value.get(str(part))
            elif isinstance(value, list) and isinstance(part, int) and part < len(value):
                value = value[part]
            else:
                return False
        return value == MARK

    def told(self) -> list[str]:
        """One sentence for each mistake, in the order of the file."""
        where = self.source.where
        lines: list[tuple[int, str]] = [(slip.line, _slip(where, slip)) for slip in self.slips]
        lines += [(self.source.line(m.path), self.source.told(m)) for m in self.mistakes]
        return [sentence for _, sentence in sorted(lines, key=lambda pair: pair[0])]


def _slip(where: str, slip: Slip) -> str:
    return f"{where}:{slip.line}: {f'{slip.key}: ' if slip.key else ''}{slip.says}"


def check(text: str, where: str, model: type[Model]) -> Checked[Model]:
    """`text` held against the model; raises nothing."""
    return Checked(text, where, model)


def parse_checked(text: str, where: str, model: type[Model]) -> Model:
    """`text` as the model says. Raises YardError with every mistake, one a line."""
    checked = check(text, where, model)
    if checked.model is None or checked.mistakes or checked.slips:
        raise YardError("\n".join(checked.told()))
    return checked.model


def read_text(path: Path) -> str:
    """The text of a data file, byte-order mark dropped. Raises YardError."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise YardError(f"{path}: no such file; check the name") from None
    except UnicodeDecodeError as error:
        raise YardError(
            f"{path}: byte {error.start} is not UTF-8; save the file as UTF-8"
        ) from None
    except OSError as error:
        raise YardError(f"{path}: cannot be read: {error.strerror}") from None
