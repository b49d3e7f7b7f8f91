"""SPACE halts from every focus, dialogue and the palette."""

from __future__ import annotations

from typing import Any

from bridge.helm.snapshot import Activity

OPENERS = {
    "picture": (),
    "command line": ("colon",),
    "words half typed": ("colon", "g", "o"),
    "log": ("f",),
    "drive dialogue": ("d",),
    "drive buttons": ("d", "enter"),
    "limits dialogue": ("l",),
    "limit confirmation": ("l", "e"),
    "position number": ("7",),
    "call count": ("c",),
    "store confirmation": ("s",),
    "go to confirmation": ("g",),
    "leave confirmation": ("q",),
    "help": ("f1",),
    "palette": ("ctrl+p",),
    "palette half typed": ("ctrl+p", "h", "e"),
}


def test_space_halts_a_moving_dish_from_anywhere(drive: Any, fake: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        for where, keys in OPENERS.items():
            helm.set(moving=None, activity=Activity.AT_REST)
            helm.calls.clear()
            app.halted_s = app.ordered_s = float("-inf")
            if keys:
                await pilot.press(*keys)
            await pilot.pause()
            focused, screen = app.screen.focused, app.screen
            before = getattr(focused, "value", None)
            helm.set(moving="west", activity=Activity.DRIVING, bound="at most 1 s")
            await pilot.press("space")
            assert helm.names().count("halt") == 1, where
            assert app.screen is screen, where  # and nothing else happened
            assert getattr(focused, "value", None) == before, where
            while app.screen is not app.main_screen:
                await pilot.press("escape")
                await pilot.pause()
            await pilot.press("escape")

    drive(body, size=(120, 40))


def test_space_halts_before_the_cautions_are_read(drive: Any, fake: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("space")
        assert helm.names() == ["halt"]

    drive(body, fake.FakeHelm(fake.still(acknowledged=False)))


def test_space_types_in_a_field_only_at_rest_and_a_while_after_the_last_order(
    drive: Any,
) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("colon", "g", "space", "7")
        assert app.screen.focused.value == "g 7"
        assert helm.names() == []
        app.ordered_s = app.ordered_s if app.ordered_s > 0 else __import__("time").monotonic()
        await pilot.press("space")  # an order may be on its way
        assert app.screen.focused.value == "g 7"
        assert helm.names() == ["halt"]

    drive(body)


def test_space_with_a_modifier_halts_too(drive: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        helm.set(moving="east")
        for key in ("shift+space", "ctrl+space", "alt+space"):
            helm.calls.clear()
            app.halted_s = float("-inf")
            await pilot.press(key)
            assert helm.names() == ["halt"], key

    drive(body)


def test_a_held_space_is_one_halt_until_something_is_ordered(drive: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("space", "space", "space")
        assert helm.names() == ["halt"]
        await pilot.press("e", "space")
        assert helm.names() == ["halt", "jog", "halt"]

    drive(body)


def test_keys_from_before_a_halt_move_nothing(drive: Any) -> None:
    from textual import events

    async def body(pilot: Any, app: Any, helm: Any) -> None:
        early = [events.Key("e", "e") for _ in range(10)]
        app.halt_now("SPACE")
        for event in early:
            app.post_message(event)
        await pilot.pause()
        assert helm.names() == ["halt"]
        await pilot.press("e")
        assert helm.names() == ["halt", "jog"]

    drive(body)


def test_a_late_key_moves_nothing_and_says_so(drive: Any, lines: Any) -> None:
    from textual import events

    async def body(pilot: Any, app: Any, helm: Any) -> None:
        late = events.Key("w", "w")
        late.time -= 0.4  # s, more than the 0.25 s that a jog may be old
        app.post_message(late)
        await pilot.pause()
        app.update_all()
        await pilot.pause()
        assert helm.names() == []
        assert any("too late" in line for line in lines(app))

    drive(body)


def test_leaving_halts(drive: Any) -> None:
    async def body(pilot: Any, app: Any, helm: Any) -> None:
        helm.set(moving="west")
        await pilot.press("ctrl+q")
        assert helm.names() == ["halt"]

    drive(body)


def test_a_distance_cut_by_a_halt_drives_nothing(drive: Any) -> None:
    """The blank in `120 s` may be a halt just after an order: 120 counts were never meant."""

    async def body(pilot: Any, app: Any, helm: Any) -> None:
        await pilot.press("e", "d", "1", "2", "0", "space", "enter", "w")
        await pilot.pause()
        assert helm.names() == ["jog", "halt"]
        await pilot.press("d", "9", "enter", "w")
        await pilot.pause()
        assert helm.names() == ["jog", "halt", "drive"]

    drive(body)
