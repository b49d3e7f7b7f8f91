"""What keys and dialogues order, and what they ask first."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest


def calls(helm: Any) -> list[Any]:
    return [call for call in helm.calls if call[0] not in ("select",)]


@pytest.mark.parametrize(
    ("hemisphere", "key", "call"),
    [
        ("north", "e", ("jog", "east")),
        ("north", "w", ("jog", "west")),
        ("south", "e", ("jog", "east")),
        ("north", "left", ("jog", "east")),  # east is on the left hand in the north
        ("north", "right", ("jog", "west")),
        ("south", "left", ("jog", "west")),
        ("south", "right", ("jog", "east")),
        ("north", "E", ("hold", "east")),
        ("north", "W", ("hold", "west")),
        ("north", "shift+left", ("hold", "east")),
        ("south", "shift+left", ("hold", "west")),
        ("north", "m", ("reset_best",)),
        ("north", "v", ("set_supply", 18)),
        ("north", "t", ("set_tone", True)),
    ],
)
def test_a_key_is_one_order(drive: Any, fake: Any, hemisphere: str, key: str, call: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press(key)
        assert helm.calls == [call]

    drive(body, fake.FakeHelm(hemisphere=hemisphere))


@pytest.mark.parametrize("part", ["f", "p"])
def test_letters_move_while_a_list_has_the_arrows(drive: Any, part: str) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press(part, "e")
        assert helm.names() == ["jog"]

    drive(body, size=(120, 40))


@pytest.mark.parametrize(
    ("keys", "call"),
    [
        (("d", "enter", "e"), ("drive", "east", 10, None)),
        (("d", "5", "0", "enter", "w"), ("drive", "west", 50, None)),
        (("d", "2", "0", "s", "enter", "w"), ("drive", "west", None, 20)),
        (("d", "1", "2", "8", "enter", "e"), ("drive", "east", 128, None)),
        (("d", "1", "2", "9", "enter", "e", "escape"), None),  # one frame carries 128 at most
        (("d", "0", "enter", "e", "escape"), None),
        (("d", "1", "2", "8", "s", "enter", "w", "escape"), None),
        (("d", "escape"), None),
        (("l", "n"), ("limits", True)),
        (("l", "f"), ("limits", False)),
        (("l", "x"), None),
        (("l", "e", "y"), ("set_limit", "east")),
        (("l", "w", "y"), ("set_limit", "west")),
        (("l", "w", "n"), None),
        (("l", "w", "enter"), None),  # the focus is on no
        (("s", "y"), ("store", 7)),
        (("s", "enter"), None),
        (("g", "g"), ("goto", 7)),
        (("g", "enter"), None),
        (("c", "6", "0", "0", "enter"), ("call_count", 600)),
        (("c", "x", "enter", "escape"), None),
        (("colon", *"halt", "enter"), ("order", "halt", False)),
        (("colon", "up", "enter"), None),
    ],
)
def test_a_dialogue_orders_what_was_answered(drive: Any, keys: Any, call: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press(*keys)
        await pilot.pause()
        assert calls(helm) == ([] if call is None else [call])
        assert app.screen is app.deck

    drive(body)


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
        assert app.screen is not app.deck  # the cautions are asked again
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
        helm.set(error="E0 needs to be asked for twice: it can overwrite every stored position")
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
        helm.say("sent", "Drive west 1 count", "E0 31 69 FF")
        app.look_at_log()
        await pilot.press("o")

    drive(body)
    (saved,) = tmp_path.glob("arcstep-log-*.txt")
    assert "sent\tE0 31 69 FF\tDrive west 1 count" in saved.read_text(encoding="utf-8")


def test_a_log_that_cannot_be_written_is_said(
    drive: Any, lines: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(
        Path, "write_text", lambda *_, **__: (_ for _ in ()).throw(OSError(28, "no space"))
    )

    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("o")
        app.look_at_all()
        await pilot.pause()
        assert any("could not be written" in line for line in lines(app))

    drive(body)
