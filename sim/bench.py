"""What `sim://` opens and `serve` serves: a yard's dish and adapter on a clock of their own.

    sim://YARD?fault=NAME&seed=N&speed=X&state=PATH

`fault` may come several times or with commas; `speed` is simulated seconds a second; `state` is
a file in which the positioner keeps over a restart what a real one keeps without power.
"""

from __future__ import annotations

import json
import os
import secrets
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl, unquote, urlsplit

from bridge.errors import YardError
from sim.adapter import SimAdapter
from sim.clock import Clock, check_speed
from sim.lease import LONGEST_LEASE_S

if TYPE_CHECKING:
    from collections.abc import Mapping

DEFAULT_YARD = "larkmere"
SAVE_EVERY_S = 2.0  # s between looks at whether the state file is behind
SETTLE_S = 10.0  # simulated s, beyond the longest lease, for a dish to come to rest
SETTLE_STEP_S = 0.1  # simulated s between looks at whether it has
COAST_S = 2.0  # simulated s for the last pulses after the motor is off
_STATE_FORMAT = 1
_OPTIONS = ("fault", "seed", "speed", "state")


@dataclass(frozen=True, slots=True)
class BenchUrl:
    """The parts of a `sim://` URL."""

    yard: str = DEFAULT_YARD
    faults: tuple[str, ...] = ()
    seed: int = 0
    speed: float = 1.0
    state: str | None = None

    @classmethod
    def parse(cls, url: str) -> BenchUrl:
        """From the text; YardError names an option or value that cannot be.

        >>> BenchUrl.parse("sim://larkmere?fault=jam,wet-sensor&speed=4").faults
        ('jam', 'wet-sensor')
        """
        parts = urlsplit(url)
        if parts.scheme.lower() != "sim":
            raise YardError(f"{url} is no simulated yard; give sim:// or sim://YARD?fault=NAME")
        faults: list[str] = []
        told: dict[str, str] = {}
        for key, value in parse_qsl(parts.query, keep_blank_values=True):
            if key not in _OPTIONS:
                raise YardError(f"{url}: no option {key!r}; there are {', '.join(_OPTIONS)}")
            if not value:
                raise YardError(f"{url}: {key}= has no value; give one or leave {key} out")
            if key == "fault":
                faults += [name.strip() for name in value.split(",") if name.strip()]
            elif key in told:
                raise YardError(f"{url}: {key} comes twice; give it once")
            else:
                told[key] = value
        yard = unquote(parts.netloc + parts.path).rstrip("/")
        return cls(
            yard or DEFAULT_YARD,
            tuple(faults),
            _read_seed(url, told.get("seed", "0")),
            _read_speed(url, told.get("speed", "1")),
            told.get("state"),
        )


class Bench:
    """A running simulated adapter: bytes in, bytes out, from any thread.

    Nothing runs between calls. What falls due meanwhile (a frame's end, the end of the lease)
    happens at its own simulated time as soon as anybody calls; `wait` sleeps until then.
    """

    def __init__(
        self, adapter: SimAdapter, clock: Clock, *, state: StateFile | None = None
    ) -> None:
        self.adapter = adapter
        self.clock = clock
        self._state = state
        self._save_at_s = time.monotonic()
        self._turn = threading.Condition()
        self._roused = False
        clock.on_change(self._look_again)

    @classmethod
    def open(cls, url: str) -> Bench:
        """From a `sim://` URL; YardError when there cannot be such a yard, fault or state."""
        from sim.rig.dish import Dish  # noqa: PLC0415  # the physics and its libraries
        from sim.yard_files import load_yard  # noqa: PLC0415

        told = BenchUrl.parse(url)
        yard = load_yard(told.yard)
        state = StateFile(Path(told.state), told.yard) if told.state else None
        kept, boot = state.load() if state else (None, secrets.randbelow(60_000))
        dish = Dish(yard, faults=told.faults, seed=told.seed, state=kept)
        clock = Clock(speed=told.speed, start_s=dish.time_s)
        bench = cls(SimAdapter(dish, boot=boot + 1), clock, state=state)
        bench.save()
        return bench

    def feed(self, data: bytes) -> None:
        """Bytes from the host, now."""
        with self._turn:
            self._go_on()
            self.adapter.receive(data, self.clock.now_s())
            self._turn.notify_all()

    def take(self) -> bytes:
        """Bytes for the host that are due by now."""
        with self._turn:
            self._go_on()
            return self.adapter.take()

    def wait(self, timeout_s: float | None) -> bytes:
        """As `take`, waiting for the first byte, for `rouse`, or for `timeout_s` of wall time."""
        end_s = None if timeout_s is None else time.monotonic() + timeout_s
        with self._turn:
            while True:
                self._go_on()
                data = self.adapter.take()
                left_s = None if end_s is None else end_s - time.monotonic()
                if data or self._roused or (left_s is not None and left_s <= 0):
                    self._roused = False
                    return data
                waits_s = [at_s for at_s in (left_s, self._due_in_s()) if at_s is not None]
                self._turn.wait(min(waits_s, default=None))

    def rouse(self) -> None:
        """End the `wait` of another thread, now or when it begins."""
        with self._turn:
            self._roused = True
            self._turn.notify_all()

    def due_in_s(self) -> float | None:
        """Wall seconds until somebody should call again; None when nothing falls due."""
        with self._turn:
            return self._due_in_s()

    def go_on(self) -> None:
        """Let happen what is due, and take nothing."""
        with self._turn:
            self._go_on()

    def save(self) -> None:
        """Write the state file, if there is one and it is behind."""
        with self._turn:
            self._go_on()
            self._save()

    def close(self) -> None:
        """Let the dish come to rest without its host, in no wall time, and save the state."""
        self.rouse()
        with self._turn:
            self._go_on()
            adapter = self.adapter
            end_s = self.clock.now_s() + LONGEST_LEASE_S * adapter.lease.pace + SETTLE_S
            at_s = self.clock.now_s()
            while at_s < end_s and (adapter.next_s() is not None or adapter.dish.readings().moving):
                at_s += SETTLE_STEP_S
                adapter.advance(at_s)
            adapter.advance(at_s + COAST_S)
            self._save()

    def _go_on(self) -> None:
        self.adapter.lease.pace = self.clock.speed
        self.adapter.advance(self.clock.now_s())
        if self._state is not None and time.monotonic() >= self._save_at_s:
            self._save()

    def _due_in_s(self) -> float | None:
        next_s = self.adapter.next_s()
        due_s = None if next_s is None else self.clock.wall_until(next_s)
        if self._state is None:
            return due_s
        save_s = max(0.0, self._save_at_s - time.monotonic())
        return save_s if due_s is None else min(due_s, save_s)

    def _save(self) -> None:
        self._save_at_s = time.monotonic() + SAVE_EVERY_S
        if self._state is not None:
            self._state.save(self.adapter.dish.dump(), self.adapter.boot)

    def _look_again(self) -> None:
        with self._turn:
            self._turn.notify_all()


class StateFile:
    """What a positioner keeps without power, as a JSON file; written whole or not at all."""

    def __init__(self, path: Path, yard: str) -> None:
        self._path = path
        self._yard = yard
        self._written = ""

    def load(self) -> tuple[Mapping[str, object] | None, int]:
        """What was kept (None at the first start) and the last boot number."""
        try:
            text = self._path.read_text(encoding="utf-8")
        except FileNotFoundError:
            return None, 0
        except (OSError, UnicodeDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
            raise YardError(
                f"{self._path}: the state file cannot be read: {reason}; name another"
            ) from None
        try:
            told = json.loads(text)
            yard, boot, kept = told["yard"], told["boot"], told["positioner"]
            sound = told["format"] == _STATE_FORMAT and isinstance(kept, dict)
            sound = sound and isinstance(boot, int) and isinstance(yard, str)
        except (ValueError, KeyError, TypeError):
            sound = False
        if not sound:
            raise YardError(
                f"{self._path}: this is no state file of format {_STATE_FORMAT}; "
                "name another, or move it away to start from new"
            )
        if yard != self._yard:
            raise YardError(
                f"{self._path}: the state of yard {yard!r}, not of {self._yard!r}; name another"
            )
        return kept, boot

    def save(self, kept: Mapping[str, object], boot: int) -> None:
        """Replace the file if anything changed; YardError when it cannot be written."""
        told = {"format": _STATE_FORMAT, "yard": self._yard, "boot": boot, "positioner": kept}
        text = json.dumps(told, indent=1) + "\n"
        if text == self._written:
            return
        try:
            self._replace(text)
        except OSError as error:
            raise YardError(
                f"{self._path}: the state file cannot be written: {error.strerror}; name another"
            ) from None
        self._written = text

    def _replace(self, text: str) -> None:
        path = self._path.resolve()
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            Path(temporary).replace(path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise


def _read_seed(url: str, text: str) -> int:
    if not text.isdecimal():
        raise YardError(f"{url}: seed={text} is no whole number from 0")
    return int(text)


def _read_speed(url: str, text: str) -> float:
    try:
        return check_speed(float(text))
    except YardError as error:
        raise YardError(f"{url}: {error}") from None
    except ValueError:
        raise YardError(f"{url}: speed={text} is no number") from None
