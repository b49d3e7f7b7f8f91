"""TOML held against a pydantic model: every mistake in it at once, each at its line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from bridge.errors import YardError
from bridge.textfile.messages import mistakes_in
from bridge.textfile.mistakes import Mistake, Problem, TomlText
from bridge.textfile.places import KeyPath
from bridge.textfile.read import read_text
from bridge.textfile.syntax_errors import UNREADABLE, read_toml


class Table(BaseModel):
    """A table of a data file: unknown keys, infinities and NaN are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @classmethod
    def conflicts(cls, data: Mapping[str, object], text: TomlText) -> Iterable[Mistake]:
        """What is wrong between tables. It is looked for in the raw data, where some may be wrong.

        The data may hold anything: an entry that is no good by itself is to be passed over.
        """
        del data, text
        return ()


Model = TypeVar("Model", bound=Table)


@dataclass(frozen=True, slots=True)
class Checked(Generic[Model]):
    """A text held against a model: the model where it fits, and every mistake where not.

    `data` is what could be read. `syntax` holds what is no TOML, `mistakes` the wrong values.
    """

    text: TomlText
    data: Mapping[str, object]
    model: Model | None
    mistakes: tuple[Mistake, ...]
    syntax: tuple[Problem, ...]

    def problems(self) -> list[Problem]:
        """Everything wrong, in the order of the file."""
        found = [*self.syntax, *(self.text.problem(mistake) for mistake in self.mistakes)]
        return sorted(found, key=lambda problem: problem.line)

    def messages(self) -> list[str]:
        """One sentence for each problem: `yard.toml:3: station.latitude_deg: 123 is not ...`."""
        return [f"{self.text.name}:{problem}" for problem in self.problems()]


def check(text: str, where: str, model: type[Model]) -> Checked[Model]:
    """`text` held against the model; raises nothing. `where` is the name of its file."""
    data, valid, syntax = read_toml(text)
    source = TomlText.of(valid, where)
    fitting: Model | None = None
    mistakes: list[Mistake] = []
    if data or not syntax:
        try:
            fitting = model.model_validate(data)
        except ValidationError as error:
            mistakes += mistakes_in(error, source, model)
        mistakes += model.conflicts(data, source)
    readable = [mistake for mistake in mistakes if _value_at(data, mistake.path) != UNREADABLE]
    return Checked(source, data, fitting, tuple(readable), tuple(syntax))


def _value_at(data: object, path: KeyPath) -> object:
    """The value at a path; None where the data hold none."""
    for part in path:
        if isinstance(data, Mapping):
            data = data.get(part)
        elif isinstance(data, list) and isinstance(part, int) and part < len(data):
            data = data[part]
        else:
            return None
    return data


def parse_checked(text: str, where: str, model: type[Model]) -> Model:
    """`text` as the model describes it. Raises YardError with every mistake, one a line."""
    checked = check(text, where, model)
    if checked.model is None or checked.mistakes or checked.syntax:
        raise YardError("\n".join(checked.messages()))
    return checked.model


def load_checked(path: Path, model: type[Model]) -> Model:
    """A file as the model describes it. Raises YardError with every mistake, one a line."""
    return parse_checked(read_text(path), str(path), model)
