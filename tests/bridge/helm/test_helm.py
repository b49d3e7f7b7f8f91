"""The helm before an adapter that only remembers: orders, halts, beliefs and watch-dogs."""

from __future__ import annotations

import threading
import time

import pytest

from bridge.errors import LinkLost, PortUnavailable
from bridge.helm import Helm, PositionRow
from bridge.helm import helm as helm_module
from bridge.link.dialogue import Booted, Damaged, Heard, Keyed, Stopped, Tripped
from bridge.link.status import Greeting, Sent, Status


class Bench:
    """An adapter without a wire: notes what it is told, moves as it is told to."""

    def __init__(self):
        self.greeting = Greeting(1, "bench", 1, 6, frozenset({"pulses", "tally", "motor"}))
        self.sent: list[str] = []
        self.stops = 0
        self.moving = None
        self.count = 500
        self.pulses = 0
        self.amps = 1.4
        self.pace = 1.0
        self.lost = False
        self.delay_s = 0.0
        self.reply = None
        self.closed = threading.Event()
        self.news = []

    def send(self, data, *, reply_s=0.0):
        if self.lost:
            raise LinkLost("the port bench went away")
        time.sleep(self.delay_s)
        self.sent.append(data.hex(" ").upper())
        return Sent(0.0, self.reply if reply_s else None)

    def status(self):
        if self.lost:
            raise LinkLost("the port bench went away")
        return Status(
            self.pulses,
            self.count,
            self.moving,
            36.0,
            self.amps,
            9.5,
            13,
            False,
            1.0,
            0,
            time.monotonic() * self.pace,
        )

    def stop(self):
        self.stops += 1
        self.moving = None

    def supply(self, volts):
        self.sent.append(f"supply {volts}")

    def tone(self, on):
        self.sent.append(f"tone {on}")

    def tally(self, count):
        self.count = count

    def events(self):
        news, self.news = self.news, []
        return news

    def close(self):
        self.closed.set()


def until(condition, timeout_s=3.0):
    """Wait for what the helm's thread is to do; fail when it does not."""
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline_s:
            pytest.fail("it did not happen in time")
        time.sleep(0.005)


@pytest.fixture
def bench():
    return Bench()


@pytest.fixture
def helm(bench):
    rows = [PositionRow(7, "Gorse", 14.3, None, 480)]
    helm = Helm(lambda: bench, port="bench", live=True, positions=rows).start()
    until(lambda: helm.snapshot().link == "open" and helm.snapshot().count is not None)
    helm.acknowledge()
    yield helm
    helm.close()


def log_of(helm, kind):
    return [line.meaning for line in helm.log_since(0) if line.kind == kind]


def test_a_jog_is_one_count(helm, bench):
    helm.jog("west", time.monotonic())
    until(lambda: bench.sent)
    assert bench.sent == ["E0 31 69 FF"]


def test_a_burst_of_jogs_leaves_at_most_one_waiting(helm, bench):
    bench.delay_s = 0.1
    for _ in range(60):
        helm.jog("west", time.monotonic())
    until(lambda: bench.sent)
    time.sleep(0.3)
    assert len(bench.sent) <= 2


def test_jogs_before_a_halt_move_nothing_after_it(helm, bench):
    pressed_s = time.monotonic()
    helm.halt()
    helm.jog("west", pressed_s)
    helm.hold("west", pressed_s)
    time.sleep(0.15)
    assert bench.sent == []
    assert bench.stops == 1


def test_a_halt_that_overtakes_a_frame_has_the_last_word(helm, bench):
    bench.delay_s = 0.2
    helm.drive("west", counts=20)
    until(lambda: not helm._orders._waiting)
    time.sleep(0.02)
    helm.halt()
    until(lambda: bench.sent)
    until(lambda: bench.stops == 2)


def test_a_halt_empties_the_queue(helm, bench):
    bench.delay_s = 0.1
    for _ in range(5):
        helm.drive("west", counts=20)
    helm.halt()
    time.sleep(0.4)
    assert len(bench.sent) <= 1


def test_a_stale_jog_is_dropped(helm, bench):
    helm.jog("west", time.monotonic() - 1.0)
    time.sleep(0.1)
    assert bench.sent == []


def test_a_held_key_moves_in_bounded_pieces_and_ends_when_let_go(helm, bench):
    began_s = time.monotonic()
    while time.monotonic() - began_s < 1.5:
        helm.hold("west", time.monotonic())
        time.sleep(0.05)
    until(lambda: "E0 31 60" in bench.sent)
    pieces = [data for data in bench.sent if data.startswith("E0 31 69")]
    assert set(pieces) == {"E0 31 69 01"}
    assert 2 <= len(pieces) <= 4
    time.sleep(1.0)
    assert bench.sent[-1] == "E0 31 60"


def test_one_touch_of_the_hold_key_is_one_piece(helm, bench):
    helm.hold("west", time.monotonic())
    until(lambda: "E0 31 60" in bench.sent)
    assert bench.sent == ["E0 31 69 01", "E0 31 60"]


def test_limits_and_positions_are_believed_as_sent(helm, bench):
    bench.count = 45
    until(lambda: helm.snapshot().count == 45)
    helm.set_limit("east")
    until(lambda: helm.snapshot().limit_east == 45)
    assert helm.snapshot().limits_on
    helm.limits(False)
    until(lambda: helm.snapshot().limits_on is False)
    bench.count = 480
    until(lambda: helm.snapshot().count == 480)
    helm.store(7)
    until(lambda: helm.snapshot().positions[0].count == 480)
    helm.store(12)
    until(lambda: len(helm.snapshot().positions) == 2)
    helm.goto(7)
    until(lambda: bench.sent[-1] == "E0 31 6B 07")
    assert bench.sent[:3] == ["E0 31 66", "E0 31 63", "E0 31 6A 07"]


def test_refusals_are_told_in_words_and_send_nothing(helm, bench):
    helm.order("drive west")
    helm.order("raw E0 31 69 00")
    until(lambda: len(log_of(helm, "refused")) == 2)
    assert bench.sent == []
    assert "without a bound" in helm.snapshot().error


def test_nothing_moves_before_the_cautions(bench):
    helm = Helm(lambda: bench, port="bench", live=True).start()
    try:
        until(lambda: helm.snapshot().link == "open")
        helm.jog("west", time.monotonic())
        until(lambda: log_of(helm, "refused"))
        assert bench.sent == []
    finally:
        helm.close()


def test_a_reply_is_read_with_its_question(helm, bench):
    bench.reply = b"\xe4\xc0"
    helm.order("status")
    until(lambda: log_of(helm, "reply"))
    assert log_of(helm, "reply") == ["Positioner status: movement completed, soft limits on."]


def test_an_end_switch_is_recognised(helm, bench):
    bench.count, bench.amps, bench.moving = 0, 0.0, "east"
    until(lambda: helm.snapshot().east_end == 0)
    assert any("end switch" in line for line in log_of(helm, "note"))
    assert helm.snapshot().error == ""


def test_a_stall_is_an_error(helm, bench):
    bench.amps, bench.moving = 5.0, "east"
    until(lambda: "Stalled" in helm.snapshot().error)
    assert helm.snapshot().east_end is None


def test_a_simulated_clock_that_runs_fast_brings_its_verdicts_sooner(helm, bench):
    bench.pace, bench.amps, bench.moving = 20.0, 0.0, "east"
    until(lambda: helm.snapshot().east_end == 500, timeout_s=0.6)


def test_a_step_too_short_to_be_seen_still_counts_for_reversals(helm, bench):
    helm.drive("west", counts=1)
    until(lambda: bench.sent)
    helm.drive("east", counts=1)
    until(lambda: log_of(helm, "refused"))
    assert "wait 1 s" in helm.snapshot().error
    assert len(bench.sent) == 1


def test_a_lost_link_is_told_once_and_opened_again(helm, bench, monkeypatch):
    monkeypatch.setattr(helm_module, "REOPEN_S", 0.05)
    bench.lost = True
    until(bench.closed.is_set)
    assert "went away" in log_of(helm, "error")[0]
    assert helm.snapshot().motor_a is None
    bench.lost = False
    until(lambda: helm.snapshot().link == "open")
    assert helm.snapshot().error == ""


def test_a_port_that_cannot_be_opened_is_an_error_in_words():
    def nothing():
        raise PortUnavailable("there is no port /dev/none; plug it in")

    helm = Helm(nothing, port="/dev/none", live=True).start()
    until(lambda: helm.snapshot().link == "lost")
    assert "plug it in" in helm.snapshot().error
    helm.close()
    assert helm.snapshot().link == "closed"


def test_closing_halts_first(bench):
    helm = Helm(lambda: bench, port="bench", live=True).start()
    until(lambda: helm.snapshot().link == "open")
    helm.close()
    helm.close()
    assert bench.stops == 1
    assert bench.closed.is_set()


def test_a_silent_screen_halts_a_moving_dish(helm, bench, monkeypatch):
    monkeypatch.setattr(helm_module, "SCREEN_SILENCE_S", 0.2)
    helm.beat()
    bench.moving = "west"
    until(lambda: bench.stops)
    assert any("screen stands still" in line for line in log_of(helm, "sent"))


def test_motion_past_its_bound_is_halted(helm, bench, monkeypatch):
    monkeypatch.setattr("bridge.guard.MARGIN_S", 0.1)
    monkeypatch.setattr("bridge.guard.SLOWEST_COUNTS_PER_S", 100.0)
    helm.drive("west", counts=10)
    bench.moving = "west"
    until(lambda: bench.stops)
    assert any("past its bound" in line for line in log_of(helm, "sent"))


def test_the_count_cannot_be_renamed_in_mid_move(helm, bench):
    bench.moving = "west"
    until(lambda: helm.snapshot().moving == "west")
    helm.call_count(0)
    assert "come to rest" in helm.snapshot().error
    bench.moving = None
    until(lambda: helm.snapshot().moving is None)
    helm.call_count(0)
    until(lambda: helm.snapshot().count == 0)


def test_the_log_is_numbered_and_followed():
    from bridge.log.buffer import LINES, Logbook

    book = Logbook()
    for number in range(LINES + 10):
        book.say("note", str(number))
    assert len(book.since(0)) == LINES
    assert [line.meaning for line in book.since(LINES + 8)] == [str(LINES + 8), str(LINES + 9)]
    assert book.since(LINES + 10) == []


def test_news_of_the_adapter_become_lines(helm, bench):
    bench.news = [
        Heard(0.0, b"\xe2\x31\x64"),
        Heard(0.1, b"\xe4\x80"),
        Heard(0.2, bytes(12)),
        Keyed(0.3, b"\xe0\x31\x60"),
        Booted(7),
        Tripped(0.4, 1),
        Stopped(0.5),
        Damaged(far=True),
    ]
    until(lambda: not bench.news and len(log_of(helm, "heard")) == 4)
    heard = log_of(helm, "heard")
    assert "status" in heard[0]
    assert "movement completed" in heard[1]
    assert "too long" in heard[2]
    assert "adapter's own" in heard[3]
    until(lambda: len(log_of(helm, "error")) == 2)
    assert helm.snapshot().link == "open"


def test_a_log_line_keeps_the_count_and_a_goto_tells_where_it_ended(helm, bench, monkeypatch):
    monkeypatch.setattr(helm_module, "COAST_S", 0.05)
    helm.store(7)
    until(lambda: log_of(helm, "sent"))
    (stored,) = [line for line in helm.log_since(0) if line.kind == "sent"]
    assert (stored.hex, stored.count) == ("E0 31 6A 07", 500)
    helm.goto(7)
    until(lambda: len(log_of(helm, "sent")) == 2)
    bench.moving, bench.count, bench.pulses = "east", 490, 10
    until(lambda: helm.snapshot().moving == "east")
    bench.moving, bench.count = None, 480
    until(lambda: log_of(helm, "rest"))
    assert log_of(helm, "rest") == ["At rest at count 480, sent to position 7"]


def test_a_place_called_anew_is_logged_with_the_count_it_had(helm, bench):
    helm.call_count(45)
    until(lambda: "Call this place count 45; it read 500" in log_of(helm, "note"))
