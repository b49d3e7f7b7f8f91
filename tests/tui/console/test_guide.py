"""The advice: each step of the first evening, and what a standstill under power is called."""

from __future__ import annotations

from typing import Any

from tui.console.guide import Guide


def advise(fake: Any, guide: Guide, now_s: float = 0.0, **changes: Any) -> str:
    unknown = {
        "limit_east": None,
        "limit_west": None,
        "limits_on": None,
        "east_end": None,
        "west_end": None,
        "best_db": None,
    }
    helm = fake.FakeHelm(fake.still(**(unknown | changes)))
    advice = guide.advise(helm.now, helm.scale(), now_s)
    for line in (advice.now, advice.next):
        assert len(line) <= 78, line  # cells of a small screen, less the padding
    return f"{advice.now} {advice.next}"


def test_the_way_to_two_limits_is_said_step_by_step(fake: Any) -> None:
    steps = [
        ({"acknowledged": False}, "cautions"),
        ({}, "turn the limits off"),
        ({"limits_on": False}, "find the east end"),
        ({"limits_on": False, "east_end": 0, "count": 1}, "back off 5-10 counts: press w"),
        ({"limits_on": False, "east_end": 0, "count": 6}, "set the east limit here at 6"),
        ({"limits_on": True, "east_end": 0, "limit_east": 6}, "turn the limits off"),
        ({"limits_on": False, "east_end": 0, "limit_east": 6}, "find the west end"),
        (
            {"limits_on": False, "limit_east": 6, "west_end": 1000, "count": 999},
            "back off 5-10 counts: press e",
        ),
        (
            {"limits_on": False, "limit_east": 6, "west_end": 1000, "count": 993},
            "set the west limit here at 993",
        ),
        ({"limits_on": False, "limit_east": 6, "limit_west": 993}, "turn the limits on"),
        ({"limits_on": True, "limit_east": 6, "limit_west": 993}, "g goes to position 7 Gorse"),
    ]
    guide = Guide()
    for changes, words in steps:
        assert words in advise(fake, guide, **changes), changes


def test_the_end_found_first_is_dealt_with_first(fake: Any) -> None:
    words = advise(fake, Guide(), limits_on=False, west_end=1000, count=1000)
    assert "The west end is at 1000" in words


def stuck(fake: Any, amps: float | None) -> tuple[Guide, str]:
    guide = Guide()
    moving = {"moving": "east", "count": 3, "limits_on": False, "motor_a": amps}
    advise(fake, guide, 10.0, **moving)
    return guide, advise(fake, guide, 11.0, **moving)


def test_a_standstill_without_current_is_called_an_end(fake: Any) -> None:
    guide, words = stuck(fake, 0.0)
    assert "no current: end switch open" in words
    assert guide.ends == {"east": 3}


def test_a_standstill_with_current_is_not(fake: Any) -> None:
    guide, words = stuck(fake, 4.2)
    assert "4.2 A flow: it may be blocked" in words
    assert guide.ends == {}


def test_peaking_leads_back_to_the_best(fake: Any) -> None:
    limits = {"limits_on": True, "limit_east": 6, "limit_west": 993}
    words = advise(fake, Guide(), best_db=13.1, best_count=612, **limits)
    assert "the best was 3 west" in words
    words = advise(fake, Guide(), best_db=12.4, best_count=609, **limits)
    assert "At the best signal" in words


def test_a_lost_link_says_what_to_look_at(fake: Any) -> None:
    assert "cable and supply" in advise(fake, Guide(), link="lost")


def test_a_place_not_taught_is_named_as_it_is_written(fake: Any) -> None:
    limits = {"limits_on": True, "limit_east": 6, "limit_west": 993}
    words = advise(fake, Guide(), selected=3, **limits)
    assert "Position 3 Cedar is predicted 351 east" in words


def test_an_end_that_the_dish_drives_past_was_none(fake: Any) -> None:
    guide, _ = stuck(fake, None)
    assert guide.ends == {"east": 3}
    advise(fake, guide, 11.5, moving="west", count=3, limits_on=False, motor_a=1.0)
    assert guide.ends == {"east": 3}  # driving the other way proves nothing
    advise(fake, guide, 13.0, moving="east", count=3, limits_on=False, motor_a=None)
    advise(fake, guide, 14.0, moving="east", count=3, limits_on=False, motor_a=None)
    words = advise(fake, guide, 14.1, moving="east", count=2, limits_on=False, motor_a=None)
    assert "Driving east" in words
    assert guide.ends == {}
