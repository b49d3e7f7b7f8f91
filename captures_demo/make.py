"""Makes the demo captures and the reading expected of each: `python captures_demo/make.py`.

All of it is invented: the Larkmere yard, its satellites and what went wrong there. With a
directory as argument the files are made there instead.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

from timeline import Cable, noise, write_column, write_rows, write_vcd, write_wav

from bridge.audit import Audit
from bridge.bus.keying.mark import Mark
from bridge.capture.open import open_capture
from bridge.decode.capture_events import read_traffic

QUIET_S = 0.025  # s between the parts of a selection: 15 ms asked for, and room
HERE = Path(__file__).parent


def _select(cable: Cable, at_s: float, port: str, number: int) -> float:
    """Tone off at `at_s`; switch message, goto with its repeat, burst A. Gives when it ends."""
    end_s = cable.say(f"write port 0 {port} A A", at_s + QUIET_S)
    end_s = cable.say(f"goto {number}", end_s + QUIET_S)
    end_s = cable.say(f"raw E1 31 6B {number:02X}", end_s + 0.1)
    return cable.tone(end_s + QUIET_S, end_s + QUIET_S + 12.5e-3)


def make_evening(path: Path) -> None:
    """Gorse to Juniper, 129 counts; later on to Larch, 44; a status that says: arrived."""
    cable = Cable(150.0)
    cable.tone(0.0, 2.0)
    end_s = _select(cable, 2.0, "horizontal high", 10)
    cable.move(2.3, 129)
    cable.tone(end_s + QUIET_S, 90.0)
    end_s = _select(cable, 90.0, "horizontal high", 11)
    cable.move(90.3, 44)
    cable.tone(end_s + QUIET_S, 130.0)
    end_s = cable.say("raw E2 31 64", 130.0 + QUIET_S)
    end_s = cable.say("raw E4 E0", end_s + 0.03)
    cable.tone(end_s + QUIET_S, 148.0)
    write_vcd(path, cable, ticks_per_s=1_000_000, envelope=True)


def make_never_halted(path: Path) -> None:
    """A drive east is halted; then west from Pine, 857, and the menu is left: on to 985."""
    cable = Cable(40.0)
    cable.say("raw E0 31 68 00", 1.0)
    cable.move(1.05, 12)
    cable.say("halt", 2.6)
    cable.say("raw E0 31 69 00", 5.0)
    cable.move(5.05, 128)
    write_vcd(path, cable, ticks_per_s=10_000_000, envelope=False)


def make_repeat_code(path: Path) -> None:
    """Three presses of one step west; each message is sent twice, and the second says E0."""
    lines = ["20:14:02.300  E0 31 60"]
    for second in (7, 9, 11):
        lines += [f"20:14:{second:02d}.120  E0 31 69 FF", f"20:14:{second:02d}.274  E0 31 69 FF"]
    lines += ["20:14:21.500  E0 31 6A 0A", ""]
    path.write_bytes("\n".join(lines).encode())


def make_short_quiet(path: Path) -> None:
    """From 13 V to 18 V, and the goto comes 4 ms after the step."""
    cable = Cable(0.17, supply=[(0.0, 13.1), (0.05, 13.1), (0.051, 18.2), (1.0, 18.2)])
    cable.say("goto 8", 0.055)
    rate_hz = 62_500
    volts = cable.volts(rate_hz)
    write_rows(path, volts + noise(len(volts), 0.01, seed=4), rate_hz)


def make_tone_left_on(path: Path) -> None:
    """The goto is keyed out of the tone that was on; then once more with the tone switched off."""
    cable = Cable(0.5)
    end_s = cable.say("goto 12", 0.1)
    cable.marks[0] = Mark(0.02, cable.marks[0].off_s)  # the first bit is lost in the tone
    cable.tone(end_s + 0.5e-3, 0.24)
    end_s = cable.say("goto 12", 0.3)
    cable.tone(end_s + QUIET_S, 0.49)
    volts = cable.volts(96_000)
    write_wav(path, [volts + noise(len(volts), 0.004, seed=5)], 96_000, bits=16)


def make_wet_joint(path: Path) -> None:
    """Water in a joint: in the third byte one slot of tone is lost, the next message is whole."""
    cable = Cable(0.32)
    cable.say("drive east 1 count", 0.04)
    bit = 2 * 9 + 3  # third byte, fourth bit: a 0 whose second slot of tone is lost
    lost = cable.marks[bit]
    cable.marks[bit] = Mark(lost.on_s, lost.on_s + 0.5e-3)
    cable.say("raw E1 31 68 FF", 0.2)
    volts = cable.volts(96_000)
    write_wav(path, [volts + noise(len(volts), 0.02, seed=6)], 96_000, bits=32)


def make_sag(path: Path) -> None:
    """The goto is heard, the motor draws its current, and 18 V become 14.2 V at the dish."""
    sag = [(0.0, 18.1), (0.2, 18.1), (0.206, 14.2), (0.3, 14.3), (0.36, 14.8), (9.0, 14.8)]
    cable = Cable(0.62, supply=sag)
    cable.say("goto 3", 0.06)
    cable.say("raw E1 31 6B 03", 0.48)
    rate_hz = 50_000
    volts = cable.volts(rate_hz)
    write_column(path, volts + noise(len(volts), 0.012, seed=7), rate_hz)


def make_goto_not_heard(path: Path) -> None:
    """Halt, 7 ms of quiet, goto 7: the positioner is busy with the halt and hears no goto."""
    cable = Cable(12.0)
    end_s = cable.say("halt", 1.0)
    cable.say("goto 7", end_s + 7e-3)
    end_s = cable.say("raw E2 31 64", 4.0)
    cable.say("raw E4 E0", end_s + 0.04)  # completed, limits on, last went west: at rest
    cable.wires |= {"motor": [], "reed": []}
    write_vcd(path, cable, ticks_per_s=1_000_000, envelope=False)


def make_two_masters(path: Path) -> None:
    """Two receivers on one positioner: each takes the dish from the other."""
    cable = Cable(30.0)
    cable.say("goto 10", 1.0)
    cable.move(1.1, 30)
    cable.say("goto 5", 5.4, carrier_hz=21_400.0)
    cable.move(5.5, 60)
    cable.say("goto 10", 14.0)
    cable.move(14.1, 60)
    write_vcd(path, cable, ticks_per_s=10_000_000, envelope=False)


def make_soundcard(path: Path) -> None:
    """48 kHz, AC coupled, hum on the left and the bus on the right in some noise."""
    cable = Cable(0.5)
    end_s = cable.say("goto 6", 0.1, level_vpp=0.3)
    end_s = cable.say("raw E2 31 64", end_s + 0.1, level_vpp=0.3)
    cable.say("raw E4 50", end_s + 0.05, level_vpp=0.24)
    volts = cable.volts(48_000)
    hum = noise(len(volts), 0.01, seed=10).cumsum() * 0.02
    write_wav(path, [hum, volts + noise(len(volts), 0.012, seed=11)], 48_000, bits=16)


STORIES: dict[str, Callable[[Path], None]] = {
    "evening.vcd": make_evening,
    "never_halted.vcd": make_never_halted,
    "repeat_code.txt": make_repeat_code,
    "short_quiet.csv": make_short_quiet,
    "tone_left_on.wav": make_tone_left_on,
    "wet_joint.wav": make_wet_joint,
    "sag.csv": make_sag,
    "goto_not_heard.vcd": make_goto_not_heard,
    "two_masters.vcd": make_two_masters,
    "soundcard.wav": make_soundcard,
}


def read_story(path: Path) -> list[dict[str, object]]:
    """What `decode --json --audit` says of a capture, with the file by its base name."""
    auditor, lines = Audit(), []
    for event in read_traffic(open_capture(str(path))):
        lines.append(event.to_json(path.name))
        lines += [finding.to_json(path.name) for finding in auditor.see(event)]
    return lines + [finding.to_json(path.name) for finding in auditor.end()]


def make_all(folder: Path) -> None:
    for name, make in STORIES.items():
        path = folder / name
        make(path)
        lines = [json.dumps(line, ensure_ascii=False) + "\n" for line in read_story(path)]
        (folder / f"{path.stem}.expected.jsonl").write_bytes("".join(lines).encode())


if __name__ == "__main__":
    make_all(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
