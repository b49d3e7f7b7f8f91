"""The parts of a `sim://` URL, and what cannot be in one."""

from __future__ import annotations

import pytest

from bridge.errors import ArcstepError, YardError
from bridge.link.client import Adapter
from sim.protocol_sim import register
from sim.yard_url import YardUrl

register()


def test_an_empty_url_is_the_demo_yard_at_real_pace():
    assert YardUrl.parse("sim://") == YardUrl("larkmere", (), 0, 1.0, None)


def test_every_part_of_a_url():
    parts = YardUrl.parse(
        "sim://larkmere?fault=jam&fault=wet-sensor,lost-counts&seed=7&speed=2.5&state=/x/y"
    )
    assert parts.faults == ("jam", "wet-sensor", "lost-counts")
    assert (parts.yard, parts.seed, parts.speed, parts.state) == ("larkmere", 7, 2.5, "/x/y")


def test_a_yard_may_be_a_path():
    assert YardUrl.parse("sim:///tmp/my%20yard.toml").yard == "/tmp/my yard.toml"


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("sim://larkmere?colour=red", "no option 'colour'"),
        ("sim://larkmere?seed=x", "seed=x"),
        ("sim://larkmere?seed=-1", "seed=-1"),
        ("sim://larkmere?speed=fast", "speed=fast"),
        ("sim://larkmere?speed=0", "0.1 to 1000"),
        ("sim://larkmere?speed=nan", "0.1 to 1000"),
        ("sim://larkmere?speed=1&speed=2", "comes twice"),
        ("sim://larkmere?fault=", "no value"),
        ("sim://larkmere?fault=gremlins", "gremlins"),
        ("sim://nowhere", "nowhere"),
    ],
)
def test_what_cannot_be_is_refused_by_name(url, says):
    with pytest.raises(ArcstepError, match=says) as caught:
        Adapter.open(url)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("url", "sentence"),
    [
        ("http://x", "http://x is no simulated yard; give sim:// or sim://YARD?fault=NAME"),
        (
            "sim://?colour=red",
            "sim://?colour=red: no option 'colour'; there are fault, seed, speed, state",
        ),
        ("sim://?seed=", "sim://?seed=: seed= has no value; give one or leave seed out"),
        ("sim://?seed=1&seed=2", "sim://?seed=1&seed=2: seed comes twice; give it once"),
        ("sim://?seed=1.5", "sim://?seed=1.5: seed=1.5 is no whole number from 0"),
        ("sim://?speed=x", "sim://?speed=x: speed=x is no number"),
        (
            "sim://?speed=2000",
            "sim://?speed=2000: speed=2000 is not in 0.1 to 1000 simulated seconds a second",
        ),
    ],
)
def test_each_refusal_names_the_url_the_value_and_the_next_step(url, sentence):
    with pytest.raises(YardError) as caught:
        YardUrl.parse(url)
    assert str(caught.value) == sentence


def test_capitals_spaces_and_a_last_slash_do_no_harm():
    parts = YardUrl.parse("SIM://larkmere/?fault= jam , ,wet-sensor")
    assert (parts.yard, parts.faults) == ("larkmere", ("jam", "wet-sensor"))
