"""One command from the command line, to the simulated yard."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from itertools import pairwise

import pytest


def send(*words, port="sim://larkmere?speed=8"):
    command = [sys.executable, "-m", "tui.cli", "send", "--port", port, *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_bytes_come_first_and_the_count_follows():
    done = send("drive", "west", "20", "counts")
    assert done.returncode == 0
    assert done.stdout.splitlines()[0].startswith("E0 31 69 EC  Drive west 20 counts")
    assert "count 500 -> 520" in done.stdout


def test_a_reply_is_read():
    done = send("status")
    assert "Positioner status: movement completed" in done.stdout


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("stripped-coupling", "No counts at count 500 while the motor runs west"),
        ("supply-open", "no current and no counts"),
        ("jam", "Stalled at count 500"),
    ],
)
def test_a_drive_that_brings_no_counts_says_what_is_seen(fault, says):
    done = send("drive", "west", "20", "counts", port=f"sim://larkmere?speed=4&fault={fault}")
    assert "count 500 -> 500" in done.stdout
    assert says in done.stdout


def test_a_dry_run_sends_nothing():
    done = send("goto", "7", "--dry-run", port="/dev/there-is-none")
    assert (done.returncode, done.stdout.count("\n")) == (0, 1)


@pytest.mark.parametrize(
    ("words", "port", "code", "says"),
    [
        (("drive", "west"), "sim://", 2, "has no bound"),
        (("raw", "E0", "31", "69", "00"), "sim://", 1, "without a bound"),
        (("raw", "00 01 02 03 04 05 06 07 08"), "sim://", 2, "9 bytes"),
        (("halt",), "/dev/there-is-none", 3, "there is no port"),
        (("drive", "west", "1", "count"), "/dev/there-is-none", 1, "say --clear"),
        (("halt",), "sim://nowhere", 2, "yard 'nowhere' is unknown"),
    ],
)
def test_what_cannot_be_gets_one_sentence_and_its_code(words, port, code, says):
    done = send(*words, port=port)
    assert done.returncode == code
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_without_counts_the_lease_is_kept_for_as_long_as_the_drive_may_run(monkeypatch):
    """A port without counts must not have its drive cut by the lease (one second)."""
    from bridge.guard import Permit
    from bridge.link.status import Status
    from tui.commands import send as command

    looks = []

    class Blind:
        def status(self):
            looks.append(time.monotonic())
            return Status(None, None, None, None, None, None, 13, False, 1.0, 0, 0.0)

    began_s = time.monotonic()
    says = command._watch(Blind(), Permit(bound_s=0.6))
    assert "nothing tells whether it arrived" in says
    assert looks[-1] - began_s >= 0.45
    assert max(after - before for before, after in pairwise(looks)) < 1.0


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_interrupted_in_mid_move_it_halts_and_leaves_130(tmp_path):
    state = tmp_path / "state.json"
    command = [sys.executable, "-m", "tui.cli", "send", "--port", f"sim://?state={state}"]
    child = subprocess.Popen(
        [*command, "drive", "west", "100", "counts"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    child.stdout.readline()
    time.sleep(2.5)
    child.send_signal(signal.SIGINT)
    _, diagnostics = child.communicate(timeout=20)
    assert child.returncode == 130
    assert diagnostics == "arcstep: interrupted\n"
    kept = json.loads(state.read_text())["positioner"]["positioner"]
    assert 500 < kept["count"] < 540
