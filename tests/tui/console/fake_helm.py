"""A helm without a port: records what is ordered, and shows whatever a test puts into it.

Run as a script it opens the console on a dish that moves by itself at 6.5 counts a second.
"""

from __future__ import annotations

import json
import math
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from bridge.bus.command import Side
from bridge.helm.snapshot import Activity, PositionRow, Scale, Snapshot
from bridge.log.record import Kind, LogEvent, Record

BELT = (
    ("Alder", 41.2, 94),
    ("Birch", 35.4, 181),
    ("Cedar", 30.2, 257),
    ("Dogwood", 25.1, 331),
    ("Elm", 21.9, 376),
    ("Fir", 17.3, 440),
    ("Gorse", 14.3, 480),
    ("Hazel", 10.4, 532),
    ("Ivy", 7.4, 570),
    ("Juniper", 4.3, 609),
    ("Larch", 0.6, 653),
    ("Maple", -3.4, 700),
    ("Nettle", -7.9, 750),
    ("Oak", -13.1, 804),
    ("Pine", -18.6, 857),
    ("Rowan", -28.7, 942),
)
ROWS = tuple(
    PositionRow(number, name, longitude, count if number % 3 else None, count + 1)
    for number, (name, longitude, count) in enumerate(BELT, 1)
)
CAPABILITIES = frozenset({"pulses", "tally", "motor", "signal", "listening", "supply"})


def still(**changes: Any) -> Snapshot:
    """A dish at rest in the middle of its travel, limits set and on."""
    base = Snapshot(
        live=False,
        port="sim://larkmere",
        link="open",
        capabilities=CAPABILITIES,
        count=609,
        activity=Activity.AT_REST,
        motor_v=0.0,
        motor_a=0.0,
        signal_db=12.31,
        best_db=13.1,
        best_count=612,
        supply_v=13,
        limit_east=45,
        limit_west=985,
        limits_on=True,
        east_end=0,
        west_end=1000,
        positions=ROWS,
        selected=7,
        acknowledged=True,
    )
    return replace(base, **changes)


class FakeHelm:
    """Shows `now`; keeps every call as a tuple in `calls`."""

    def __init__(self, now: Snapshot | None = None, hemisphere: str = "north") -> None:
        self.now = now or still()
        self.hemisphere = hemisphere
        self.calls: list[tuple[Any, ...]] = []
        self.lines: list[Record] = []
        self.points: list[tuple[float, float | None, float | None]] = []
        self.beats = 0
        self.closed = False

    def snapshot(self) -> Snapshot:
        return self.now

    def scale(self) -> Scale:
        now = self.now
        return Scale(
            0,
            1058,
            self.hemisphere,  # type: ignore[arg-type]
            now.east_end,
            now.west_end,
            now.limit_east,
            now.limit_west,
            now.positions,
        )

    def log_since(self, seq: int) -> list[Record]:
        return [line for line in self.lines if line.seq > seq]

    def history(self) -> list[tuple[float, float | None, float | None]]:
        return self.points

    def beat(self) -> None:
        self.beats += 1

    def log(self, kind: Kind, detail: str = "", hex_text: str = "", **facts: Any) -> None:
        seq, t_s = len(self.lines) + 1, time.monotonic()
        frame = bytes.fromhex(hex_text)
        self.lines.append(Record(kind, frame=frame, detail=detail, seq=seq, t_s=t_s, **facts))

    def names(self) -> list[str]:
        """The names of the calls so far."""
        return [call[0] for call in self.calls]

    def set(self, **changes: Any) -> None:
        self.now = replace(self.now, **changes)

    def halt(self, cause: str = "SPACE") -> None:
        self.calls.append(("halt", cause))

    def jog(self, side: Side, pressed_s: float) -> None:
        self.calls.append(("jog", side))

    def hold(self, side: Side, pressed_s: float) -> None:
        self.calls.append(("hold", side))

    def drive(self, side: Side, *, counts: int | None = None, seconds: int | None = None) -> None:
        self.calls.append(("drive", side, counts, seconds))

    def set_limit(self, side: Side) -> None:
        self.calls.append(("set_limit", side))

    def limits(self, on: bool) -> None:
        self.calls.append(("limits", on))

    def store(self, number: int) -> None:
        self.calls.append(("store", number))

    def goto(self, number: int) -> None:
        self.calls.append(("goto", number))

    def select(self, number: int) -> None:
        self.calls.append(("select", number))
        self.set(selected=number)

    def order(self, words: str, *, confirmed: bool = False) -> None:
        self.calls.append(("order", words, confirmed))

    def set_supply(self, volts: int) -> None:
        self.calls.append(("set_supply", volts))

    def set_tone(self, on: bool) -> None:
        self.calls.append(("set_tone", on))

    def call_count(self, count: int) -> None:
        self.calls.append(("call_count", count))

    def reset_best(self) -> None:
        self.calls.append(("reset_best",))

    def acknowledge(self) -> None:
        self.calls.append(("acknowledge",))
        self.set(acknowledged=True)

    def close(self) -> None:
        self.calls.append(("close",))
        self.closed = True


class DriftingHelm(FakeHelm):
    """Moves to and fro by itself until halted, so that there is something to look at."""

    def __init__(self, now: Snapshot | None = None, hemisphere: str = "north") -> None:
        super().__init__(now, hemisphere)
        self.since_s = time.monotonic()
        self.drifting = True

    def snapshot(self) -> Snapshot:
        if not self.drifting:
            return self.now
        t_s = time.monotonic()
        way = 500 + 480 * math.sin((t_s - self.since_s) / 74)
        count = round(way)
        signal = 13.5 - 12 * min(1.0, abs(((count - 20) % 44) - 22) / 16) ** 2
        self.set(
            count=count,
            moving="west" if math.cos((t_s - self.since_s) / 74) > 0 else "east",
            activity=Activity.DRIVING,
            bound="at most 1 s",
            motor_v=35.9,
            motor_a=1.4 + 0.1 * math.sin(t_s * 3),
            signal_db=signal,
        )
        if not self.points or t_s - self.points[-1][0] >= 0.1:
            self.points = [*self.points[-599:], (t_s, signal, self.now.motor_a)]
        return self.now

    def halt(self, cause: str = "SPACE") -> None:
        super().halt(cause)
        self.drifting = False
        self.set(moving=None, activity=Activity.AT_REST, motor_a=0.0, motor_v=0.0)
        self.log(Kind.SENT, cause, "E0 31 60", event=LogEvent.HALT)

    def jog(self, side: Side, pressed_s: float) -> None:
        super().jog(side, pressed_s)
        step = 1 if side == "west" else -1
        self.set(count=(self.now.count or 0) + step)
        frame = "E0 31 69 FF" if side == "west" else "E0 31 68 FF"
        self.log(Kind.SENT, "", frame)


class TellingHelm(DriftingHelm):
    """Writes every call, and each beat, to a file as it happens: time, name, arguments."""

    def __init__(self, path: str) -> None:
        super().__init__()
        self._file = Path(path).open("a", buffering=1, encoding="utf-8")  # noqa: SIM115

    def tell(self, *call: object) -> None:
        self._file.write(json.dumps([time.monotonic(), *call]) + "\n")

    def beat(self) -> None:
        self.tell("beat")

    def halt(self, cause: str = "SPACE") -> None:
        self.tell("halt", cause)
        super().halt(cause)

    def jog(self, side: Side, pressed_s: float) -> None:
        self.tell("jog", side)
        super().jog(side, pressed_s)

    def order(self, words: str, *, confirmed: bool = False) -> None:
        self.tell("order", words)
        super().order(words, confirmed=confirmed)

    def close(self) -> None:
        self.tell("close")
        super().close()


def main(arguments: list[str]) -> int:
    """Open the console on a dish that drifts; words change what is shown."""
    from tui.console.app import run_console

    paths = [word for word in arguments if word.endswith(".calls")]
    helm = TellingHelm(paths[0]) if paths else DriftingHelm()
    helm.drifting = "still" not in arguments
    helm.hemisphere = "south" if "south" in arguments else "north"
    helm.set(acknowledged="cautions" not in arguments, live="live" in arguments)
    helm.log(Kind.NOTE, "simulated on sim://larkmere", event=LogEvent.CONNECTED)
    helm.log(Kind.SENT, "", "E0 31 69 FF")
    helm.log(Kind.HEARD, "", "E0 31 69 FF")
    helm.log(Kind.REFUSED, "20 counts west would pass the soft limit at 985; 4 counts are left")
    return run_console(helm)  # type: ignore[arg-type]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
