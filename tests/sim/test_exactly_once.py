"""Host and adapter over a line that damages characters: every frame acts once, in order."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.link.dialogue import Answered, Dialogue, Unanswered
from random_search import examples
from sim.adapter import SimAdapter

LINE_S = 0.001  # s that a chunk is on the way


class NoisyLine:
    """Both directions of a serial line, each character damaged with probability `rate`."""

    def __init__(self, dish, rate: float, rng: random.Random, *, drop: float = 0.0) -> None:
        self.adapter = SimAdapter(dish)
        self.dialogue = Dialogue(attempts=60)
        self.rate, self.drop, self.rng = rate, drop, rng
        self.now_s = 0.0
        self.sent_again = 0
        self.events = []

    def damage(self, data: bytes) -> bytes:
        out = bytearray()
        for byte in data:
            if self.rng.random() < self.drop:
                continue
            hit = self.rng.random() < self.rate
            out.append(self.rng.randrange(256) if hit else byte)
        return bytes(out)

    def ask(self, verb: str, *args: str) -> Answered | Unanswered:
        patience_s = 0.1 if verb == "send" else 0.0
        data = self.dialogue.ask(self.now_s, verb, *args, patience_s=patience_s)
        while True:
            self.now_s += LINE_S
            if data:
                self.adapter.receive(self.damage(data), self.now_s)
            else:
                self.adapter.advance(self.now_s)
            told = self.dialogue.receive(self.damage(self.adapter.take()), self.now_s)
            data, more = self.dialogue.tick(self.now_s)
            self.sent_again += bool(data)
            for it in (*told, *more):
                if isinstance(it, Answered | Unanswered):
                    return it
                self.events.append(it)


def begin(line: NoisyLine) -> None:
    # The retries of a very noisy line may outlast any short lease; this is about acting once.
    for words in (("greet", "1", "n0"), ("lease", "10", "E03160")):
        answer = line.ask(*words)
        assert isinstance(answer, Answered)
        assert answer.ok


def test_300_frames_through_one_percent_damage_both_ways(noting_dish):
    line = NoisyLine(noting_dish, 0.01, random.Random(20))
    begin(line)
    wanted = [f"E03168{0xFF - n % 128:02X}" for n in range(300)]
    for frame in wanted:
        answer = line.ask("send", frame, "0")
        assert isinstance(answer, Answered)
        assert answer.ok, answer
    assert noting_dish.frames == wanted
    assert line.sent_again > 50, "the line was not noisy enough to prove anything"


@examples(25)
@given(seed=st.integers(0, 2**32), drop=st.sampled_from([0.0, 0.005]))
def test_any_noise_acts_once_in_order_or_says_unknown(make_noting_dish, seed, drop):
    dish = make_noting_dish()
    line = NoisyLine(dish, 0.02, random.Random(seed), drop=drop)
    begin(line)
    wanted = [f"E03168{0xFF - n:02X}" for n in range(12)]
    answers = [line.ask("send", frame, "0") for frame in wanted]
    if all(isinstance(answer, Answered) and answer.ok for answer in answers):
        assert dish.frames == wanted
    else:  # never twice, never out of order, whatever was lost
        assert dish.frames == sorted(set(dish.frames), reverse=True)


def test_a_lost_answer_makes_a_retry_and_no_second_step(noting_dish):
    line = NoisyLine(noting_dish, 0.0, random.Random(1))
    begin(line)
    data = line.dialogue.ask(line.now_s, "send", "E03168FF", "0")
    line.adapter.receive(data, line.now_s)
    line.adapter.advance(line.now_s + 0.1)
    line.adapter.take()  # the answer is lost
    line.now_s += 0.2
    again, _ = line.dialogue.tick(line.now_s)
    assert again.strip() == data.strip()
    line.adapter.receive(again, line.now_s)
    (answer,) = line.dialogue.receive(line.adapter.take(), line.now_s)
    assert isinstance(answer, Answered)
    assert answer.ok
    line.adapter.advance(line.now_s + 0.5)
    assert noting_dish.frames == ["E03168FF"]


@pytest.mark.parametrize("delay_s", [0.0, 0.05, 0.2])
def test_an_adapter_that_restarts_does_not_act_on_a_retry(make_noting_dish, delay_s):
    line = NoisyLine(make_noting_dish(), 0.0, random.Random(1))
    begin(line)
    data = line.dialogue.ask(line.now_s, "send", "E03168FF", "0")
    line.adapter.receive(data, line.now_s)
    line.adapter.advance(line.now_s + delay_s)
    fresh = make_noting_dish()
    line.adapter = SimAdapter(fresh, boot=2)
    line.adapter.receive(data, 1.0)
    line.adapter.advance(2.0)
    assert fresh.frames == []
    assert b"no session" in line.adapter.take()
