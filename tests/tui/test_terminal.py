"""The console in a real pseudo-terminal, its screen read back by a terminal emulator."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pyte
import pytest

FAKE = Path(__file__).parent / "console" / "fake_helm.py"
COLOUR = re.compile(rb"\x1b\[(?:[\d;]*;)?(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])(?:;[\d;]*)?m")


class Terminal:
    """A child on a pty of 80 x 24, what it wrote, and what it told its helm."""

    def __init__(self, calls: Path, *words: str, **environment: str) -> None:
        self.calls_path = calls
        self.master, slave = pty.openpty()
        self.resize(24, 80)
        environ = {key: value for key, value in os.environ.items() if key != "NO_COLOR"}
        environ |= {"TERM": "xterm-256color", "COLORTERM": "truecolor"} | environment
        self.child = subprocess.Popen(
            [sys.executable, str(FAKE), str(calls), *words],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=environ,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509
        )
        os.close(slave)
        self.screen = pyte.Screen(80, 24)
        self.stream = pyte.ByteStream(self.screen)
        self.raw = b""

    def resize(self, lines: int, columns: int) -> None:
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))

    def read(self, for_s: float) -> None:
        """Read what the child writes for so long."""
        until = time.monotonic() + for_s
        while (left := until - time.monotonic()) > 0:
            if not select.select([self.master], [], [], left)[0]:
                return
            try:
                data = os.read(self.master, 65536)
            except OSError:
                return
            self.raw += data
            # Private modes and the extended key protocol are none of this emulator's business.
            self.stream.feed(re.sub(rb"\x1b\[[<>=?][\d;$]*[a-zA-Z]+", b"", data))

    def until(self, happened: Callable[[], bool], within_s: float = 10.0) -> None:
        until = time.monotonic() + within_s
        while not happened():
            assert time.monotonic() < until, "\n".join(self.screen.display)
            assert self.child.poll() is None, "\n".join(self.screen.display)
            self.read(0.05)

    def press(self, data: bytes) -> float:
        moment = time.monotonic()
        os.write(self.master, data)
        return moment

    def calls(self, *names: str) -> list[list[object]]:
        lines = self.calls_path.read_text().splitlines() if self.calls_path.exists() else []
        calls = [json.loads(line) for line in lines if line.endswith("]")]
        return [call for call in calls if not names or call[1] in names]

    def shows(self, words: str) -> bool:
        return any(words in line for line in self.screen.display)

    def end(self) -> None:
        if self.child.poll() is None:
            self.child.kill()
        self.child.wait()
        os.close(self.master)


@pytest.fixture
def open_terminal(tmp_path: Path) -> Iterator[Callable[..., Terminal]]:
    opened: list[Terminal] = []

    def open_one(*words: str, **environment: str) -> Terminal:
        terminal = Terminal(tmp_path / f"{len(opened)}.calls", *words, **environment)
        opened.append(terminal)
        terminal.until(lambda: terminal.shows("COUNT") and bool(terminal.calls("beat")))
        return terminal

    yield open_one
    for terminal in opened:
        terminal.end()


def test_space_halts_from_the_field_and_types_there_only_at_rest(
    open_terminal: Callable[..., Terminal],
) -> None:
    terminal = open_terminal()
    terminal.press(b":")
    terminal.read(0.4)
    terminal.press(b"goto")
    terminal.until(lambda: terminal.shows(": goto"))
    terminal.press(b" ")
    terminal.until(lambda: bool(terminal.calls("halt")))
    time.sleep(2.1)  # s in which SPACE would still halt
    terminal.press(b" ")
    terminal.read(0.2)
    terminal.press(b"7")
    terminal.until(lambda: terminal.shows(": goto 7"))
    terminal.press(b"\r")
    terminal.until(lambda: bool(terminal.calls("order")))
    assert terminal.calls("order")[0][2] == "goto 7"
    assert len(terminal.calls("halt")) == 1


def test_space_halts_while_the_terminal_does_not_read(
    open_terminal: Callable[..., Terminal],
) -> None:
    terminal = open_terminal()
    stalled_s = time.monotonic()
    for turn in range(400):  # full redraws that nobody reads
        terminal.resize(24, 80 - turn % 2)
        os.kill(terminal.child.pid, signal.SIGWINCH)
        time.sleep(0.05)
        beats = terminal.calls("beat")
        if time.monotonic() - float(str(beats[-1][0])) > 1.0:
            break
    else:
        pytest.fail(f"not stalled after {time.monotonic() - stalled_s:.0f} s")
    terminal.press(b"eeeeeeeeee")
    time.sleep(0.05)
    pressed_s = terminal.press(b" ")
    time.sleep(0.3)
    halts = terminal.calls("halt")
    assert halts, "no halt while stalled"
    assert float(str(halts[0][0])) - pressed_s < 0.1  # s; 1 ms was seen
    terminal.read(1.5)  # the terminal reads again: what was queued must move nothing
    assert terminal.calls("jog") == []


def test_jogs_and_a_space_in_one_read_move_nothing(open_terminal: Callable[..., Terminal]) -> None:
    terminal = open_terminal("still")
    terminal.press(b"eeeeeeeeee ")
    terminal.until(lambda: bool(terminal.calls("halt")))
    terminal.read(0.5)
    assert terminal.calls("jog") == []
    terminal.press(b"e")
    terminal.until(lambda: bool(terminal.calls("jog")))


def test_space_halts_inside_a_paste_that_never_ends(open_terminal: Callable[..., Terminal]) -> None:
    terminal = open_terminal()
    terminal.press(b"\x1b[200~some words")
    terminal.read(0.3)
    terminal.press(b" ")
    terminal.until(lambda: bool(terminal.calls("halt")))


@pytest.mark.parametrize("data", [b"\x1b[32u", b"\x1b[32;1u", b"\x1b[32;2;32u", b"\x1b[32;;32u"])
def test_space_of_the_extended_key_protocol_halts(
    open_terminal: Callable[..., Terminal], data: bytes
) -> None:
    terminal = open_terminal()
    terminal.press(data)
    terminal.until(lambda: bool(terminal.calls("halt")))


def test_job_control_halts_and_does_not_stop_the_process(
    open_terminal: Callable[..., Terminal],
) -> None:
    terminal = open_terminal()
    terminal.child.send_signal(signal.SIGTSTP)
    terminal.until(lambda: bool(terminal.calls("halt")), 3)
    beats = len(terminal.calls("beat"))
    terminal.until(lambda: len(terminal.calls("beat")) > beats)


def test_without_a_terminal_it_refuses_in_one_sentence(tmp_path: Path) -> None:
    words = [sys.executable, "-m", "tui.cli", "console"]
    done = subprocess.run(
        words, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=20, check=False
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "needs a terminal" in done.stderr


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM])
def test_a_signal_halts_closes_and_ends(
    open_terminal: Callable[..., Terminal], number: signal.Signals
) -> None:
    terminal = open_terminal()
    sent_s = time.monotonic()
    terminal.child.send_signal(number)
    while terminal.child.poll() is None and time.monotonic() < sent_s + 5:
        terminal.read(0.1)
    assert terminal.child.returncode == 128 + number
    halts = terminal.calls("halt")
    assert halts
    assert float(str(halts[0][0])) - sent_s < 0.25
    assert terminal.calls("close")


def test_a_terminal_that_is_gone_halts_and_ends(open_terminal: Callable[..., Terminal]) -> None:
    terminal = open_terminal()
    os.close(terminal.master)  # hangs up
    try:
        terminal.child.wait(6)
    finally:
        terminal.master = os.open(os.devnull, os.O_RDWR)
    assert terminal.calls("halt")
    assert terminal.calls("close")


@pytest.mark.parametrize(
    "data",
    [
        b"\x1b[M\xff\xfe\x80",
        b"\xc3\x28\xff",
        b"\x1b[<0;99999999999;1M",
        b"\x1b[99999999999u",
        b"\x1b[1114112;1;1114112u",
    ],
    ids=["old mouse", "not utf-8", "far mouse", "huge key", "beyond unicode"],
)
def test_bad_bytes_do_not_stop_the_keys(
    open_terminal: Callable[..., Terminal], data: bytes
) -> None:
    terminal = open_terminal("still")
    terminal.press(data)
    terminal.read(0.5)
    terminal.press(b"w")
    terminal.until(lambda: bool(terminal.calls("jog")))
    assert terminal.calls("jog")[0][2] == "west"


def test_no_color_writes_no_colour(open_terminal: Callable[..., Terminal]) -> None:
    coloured = open_terminal()
    assert COLOUR.search(coloured.raw)  # the check can fail
    plain = open_terminal(NO_COLOR="1")
    plain.press(b"l")
    plain.until(lambda: plain.shows("Soft limits"))
    assert COLOUR.search(plain.raw) is None
    assert b"\x1b[" in plain.raw
    plain.until(lambda: plain.shows("driving west"))  # said in words
