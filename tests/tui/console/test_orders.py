"""What keys and dialogues order, and what they ask first."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from bridge.log.record import Kind


def calls(helm: Any) -> list[Any]:
    return [call for call in helm.calls if call[0] != "select"]


def sentence(rows: list[str]) -> str:
    """What a dialogue says, without its frame and its line breaks."""
    return " ".join(re.sub("[^\\x20-\\x7e]", " ", " ".join(rows)).split())


KEYS = {
    "north": [
        ("e", ("jog", "east")),
        ("w", ("jog", "west")),
        ("left", ("jog", "east")),  # east is on the left in the north
        ("right", ("jog", "west")),
        ("E", ("hold", "east")),
        ("W", ("hold", "west")),
        ("shift+left", ("hold", "east")),
        ("shift+right", ("hold", "west")),
        ("m", ("reset_best",)),
        ("v", ("set_supply", 18)),
        ("t", ("set_tone", True)),
    ],
    "south": [
        ("e", ("jog", "east")),
        ("left", ("jog", "west")),
        ("right", ("jog", "east")),
        ("shift+left", ("hold", "west")),
    ],
}


@pytest.mark.parametrize("hemisphere", KEYS)
def test_a_key_is_one_order(drive: Any, fake: Any, hemisphere: str) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        for key, call in KEYS[hemisphere]:
            helm.calls.clear()
            await pilot.press(key)
            assert helm.calls == [call], key

    drive(body, fake.FakeHelm(hemisphere=hemisphere))


@pytest.mark.parametrize("supply_v", [0, 13, 14, 15, 18])
def test_the_supply_key_changes_level(drive: Any, fake: Any, supply_v: int) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("v")
        assert helm.calls == [("set_supply", 13 if supply_v >= 15 else 18)]

    drive(body, fake.FakeHelm(fake.still(supply_v=supply_v, tone=True)))


@pytest.mark.parametrize("part", ["f", "p"])
def test_letters_move_while_a_list_has_the_arrows(drive: Any, part: str) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press(part, "e")
        assert helm.names() == ["jog"]

    drive(body, size=(120, 40))


DIALOGUES: list[tuple[tuple[str, ...], tuple[object, ...] | None]] = [
    (("d", "enter", "e"), ("drive", "east", 10, None)),
    (("d", "5", "0", "enter", "w"), ("drive", "west", 50, None)),
    (("d", "2", "0", "s", "enter", "w"), ("drive", "west", None, 20)),
    (("d", "1", "2", "8", "enter", "e"), ("drive", "east", 128, None)),
    (("d", "1", "2", "9", "enter", "e", "escape"), None),  # one frame carries 128 at most
    (("d", "0", "enter", "e", "escape"), None),
    (("d", "1", "2", "7", "s", "enter", "w"), ("drive", "west", None, 127)),
    (("d", "1", "2", "8", "s", "enter", "w", "escape"), None),
    (("d", "escape"), None),
    (("d", "enter", "enter"), None),  # the focus is on cancel
    (("d", "enter", "right", "enter"), ("drive", "east", 10, None)),
    (("d", "enter", "right", "right", "enter"), ("drive", "west", 10, None)),
    (("l", "n"), ("limits", True)),
    (("l", "f"), ("limits", False)),
    (("l", "x"), None),
    (("l", "escape"), None),
    (("l", "e", "y"), ("set_limit", "east")),
    (("l", "w", "y"), ("set_limit", "west")),
    (("l", "w", "n"), None),
    (("l", "w", "enter"), None),  # the focus is on no
    (("s", "y"), ("store", 7)),
    (("s", "enter"), None),
    (("g", "g"), ("goto", 7)),
    (("g", "enter"), None),
    (("q", "n"), None),
    (("c", "6", "0", "0", "enter"), ("call_count", 600)),
    (("c", "0", "enter"), ("call_count", 0)),
    (("c", "x", "enter", "escape"), None),
    (("c", "3", "2", "7", "6", "8", "enter", "escape"), None),
    (("colon", *"halt", "enter", "escape"), ("order", "halt", False)),
    (("colon", "up", "enter", "escape"), ("order", "halt", False)),  # the words before
    (("colon", "enter", "escape"), None),
]


def test_a_dialogue_orders_what_was_answered(drive: Any, fake: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        for keys, call in DIALOGUES:
            helm.calls.clear()
            await pilot.press(*keys)
            await pilot.pause()
            assert calls(helm) == ([] if call is None else [call]), keys
            assert app.screen is app.main_screen, keys

    drive(body)


def test_leaving_ends_the_console(drive: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("q", "y")
        await pilot.pause()
        assert app.return_value == 0

    drive(body)


QUESTIONS = {
    "l": "The dish is at count 609. A soft limit belongs 5-10 counts inside the end, set one "
    "count at a time. It is kept in the positioner and is no safety device.",
    "s": "It is stored at 480. The positioner forgets that place.",
    "g": "It is stored at 480: 129 east of here. The dish will move.",
    "c": "It is 609 now. Only the count shown here changes; positions and limits kept in the "
    "positioner do not.",
    "q": "The motor is halted and the port closed.",
}


def test_a_question_names_the_figures_it_is_about(drive: Any, lines: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        for key, words in QUESTIONS.items():
            await pilot.press(key)
            await pilot.pause()
            assert words in sentence(lines(app)), key
            await pilot.press("escape")
        await pilot.press("l", "e")
        await pilot.pause()
        assert (
            "The east soft limit will be count 609. It replaces the one at 45. The positioner "
            "keeps it and no longer drives east beyond it." in sentence(lines(app))
        )

    drive(body, size=(120, 40))


def test_a_place_not_taught_is_stored_without_asking(drive: Any, fake: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("s")
        assert helm.calls == [("store", 3)]

    drive(body, fake.FakeHelm(fake.still(selected=3)))


def test_a_limit_is_not_set_when_the_dish_moved_meanwhile(drive: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("l", "e")
        helm.set(count=611)
        await pilot.press("y")
        await pilot.pause()
        assert helm.calls == []

    drive(body)


def test_positions_are_selected_by_arrows_and_by_number(drive: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("down")
        assert helm.now.selected == 8
        await pilot.press("up", "up")
        assert helm.now.selected == 6
        await pilot.press("1", "2", "enter")
        await pilot.pause()
        assert helm.now.selected == 12
        await pilot.press("9", "9", "9", "enter")  # the bus carries 255 at most
        await pilot.pause()
        assert helm.now.selected == 12

    drive(body)


def test_nothing_moves_before_the_cautions_are_acknowledged(drive: Any, fake: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("enter")  # on a real port the focus is on 'not yet'
        await pilot.pause()
        await pilot.press("e")
        await pilot.pause()
        assert helm.calls == []
        assert app.screen is not app.main_screen  # the cautions are asked again
        await pilot.press("y")
        await pilot.pause()
        await pilot.press("e")
        assert helm.calls == [("acknowledge",), ("jog", "east")]

    drive(body, fake.FakeHelm(fake.still(acknowledged=False, live=True)))


def test_words_that_need_asking_twice_are_asked_twice(drive: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        words = ("r", "a", "w", "space", "e", "0")
        await pilot.press("colon", *words, "enter")
        await pilot.pause()
        helm.set(confirm="raw e0")
        app.ordered_s = float("-inf")  # some seconds later
        await pilot.press(*words, "enter")
        await pilot.pause()
        assert helm.calls == [("order", "raw e0", False), ("order", "raw e0", True)]

    drive(body)


def test_help_explains_what_has_the_focus(drive: Any, lines: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        for key, words in (("f", "The log of frames"), ("colon", "Command words")):
            await pilot.press(key, "f1")
            await pilot.pause()
            assert any(words in line for line in lines(app))
            await pilot.press("escape", "escape")
            await pilot.pause()

    drive(body)


def test_the_log_is_saved_with_bytes_and_meaning(
    drive: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)

    async def body(pilot: Any, app: Any, helm: Any) -> None:
        helm.log(Kind.SENT, "", "E0 31 69 FF")
        app.update_log()
        await pilot.press("o")

    drive(body)
    (saved,) = tmp_path.glob("arcstep-log-*.txt")
    assert "sent\tE0 31 69 FF\tDrive west 1 count" in saved.read_text(encoding="utf-8")


def test_a_log_that_cannot_be_written_is_said(
    drive: Any, lines: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(
        Path, "replace", lambda *_, **__: (_ for _ in ()).throw(OSError(28, "no space"))
    )

    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("o")
        app.update_all()
        await pilot.pause()
        assert any("could not be written" in line for line in lines(app))

    drive(body)
