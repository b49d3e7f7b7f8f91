"""Colours and layout. Nothing is said by colour alone: words and glyphs carry it."""

from __future__ import annotations

from textual.theme import Theme

NIGHT = Theme(
    name="arcstep",
    primary="#86b6dc",
    secondary="#8a9bb0",
    accent="#f2b661",
    warning="#f2b661",
    error="#f08a7c",
    success="#9ccfa4",
    foreground="#d9e1ea",
    background="#10161e",
    surface="#161e28",
    panel="#26313f",
    dark=True,
    variables={
        "muted": "#8fa0b3",
        "subtle": "#5b6b7e",
        "input-cursor-text-style": "reverse",
    },
)

DAY = Theme(
    name="arcstep-day",
    primary="#1f5f94",
    secondary="#52647a",
    accent="#9a5b00",
    warning="#9a5b00",
    error="#a8281c",
    success="#1d6b33",
    foreground="#11181f",
    background="#f5f3ee",
    surface="#e8e5dd",
    panel="#cfcabf",
    dark=False,
    variables={
        "muted": "#465565",
        "subtle": "#7d8894",
        "input-cursor-text-style": "reverse",
    },
)

PLAIN = Theme(
    name="arcstep-plain",
    primary="ansi_default",
    secondary="ansi_default",
    accent="ansi_default",
    warning="ansi_default",
    error="ansi_default",
    success="ansi_default",
    foreground="ansi_default",
    background="ansi_default",
    surface="ansi_default",
    panel="ansi_default",
    boost="ansi_default",
    dark=True,
    ansi=True,
    variables={
        "muted": "ansi_default",
        "subtle": "ansi_default",
        "input-cursor-text-style": "reverse",
        "ansi-background": "ansi_default",
        "ansi-foreground": "ansi_default",
    },
)
"""No colour at all, for NO_COLOR: bold, dim and reverse only."""

CSS = """
Screen { background: $background; color: $foreground; }
RowWidget { background: $background; }
RowWidget > .ink--plain { color: $foreground; }
RowWidget > .ink--dim { color: $muted; }
RowWidget > .ink--subtle { color: $subtle; }
RowWidget > .ink--strong { color: $foreground; text-style: bold; }
RowWidget > .ink--title { color: $muted; text-style: bold; }
RowWidget > .ink--key { color: $primary; }
RowWidget > .ink--keycap { color: $background; background: $secondary; }
RowWidget > .ink--belt { color: $primary 65%; }
RowWidget > .ink--beyond { color: $subtle; }
RowWidget > .ink--satellite { color: $success; }
RowWidget > .ink--selected { color: $foreground; text-style: bold; }
RowWidget > .ink--dish { color: $accent; text-style: bold; }
RowWidget > .ink--beam { color: $accent 60%; }
RowWidget > .ink--limit { color: $error; text-style: bold; }
RowWidget > .ink--signal { color: $primary; }
RowWidget > .ink--best { color: $success; text-style: bold; }
RowWidget > .ink--good { color: $success; }
RowWidget > .ink--moving { color: $background; background: $accent; text-style: bold; }
RowWidget > .ink--motion { color: $accent; text-style: bold; }
RowWidget > .ink--sim { color: $background; background: $success; text-style: bold; }
RowWidget > .ink--live { color: $background; background: $error; text-style: bold; }
RowWidget > .ink--trouble { color: $error; text-style: bold; }
.-no-color RowWidget > .ink--keycap, .-no-color RowWidget > .ink--moving,
.-no-color RowWidget > .ink--live { text-style: reverse bold; }
.-no-color RowWidget > .ink--sim { text-style: bold underline; }
.-no-color RowWidget > .ink--subtle, .-no-color RowWidget > .ink--beyond { text-style: dim; }

StatusLine { height: 1; background: $surface; }
#upper { height: 1fr; }
#sky { width: 1fr; }
SkyPicture { height: 1fr; margin: 0 1 0 0; }
TravelScale { height: 3; margin: 0 1 0 0; }
Readouts { width: 30; border-left: solid $panel; padding: 0 1; }
AdviceLines { height: 2; background: $surface; padding: 0 1; }
#lower { height: 3; }
PositionList { display: none; }
FrameLog { width: 1fr; }
TroubleLine { height: 1; }
#command-row { height: 1; background: $surface; }
#colon { width: 2; color: $primary; background: $surface; }
#command { width: 1fr; background: $surface; }
KeyLine { height: 1; }

.-tall #lower, .-towering #lower { height: 12; }
.-tall PositionList, .-tall FrameLog, .-towering PositionList, .-towering FrameLog {
    border-top: solid $panel; border-title-color: $muted;
}
.-tall PositionList, .-towering PositionList { display: block; width: 42; margin: 0 1 0 0; }
.-tall AdviceLines, .-towering AdviceLines { height: 4; padding: 1; }
.-towering #lower { height: 18; }
.-long-trouble TroubleLine { height: 2; }
.-long-trouble #lower { height: 2; }
.-tall.-long-trouble #lower { height: 11; }
.-towering.-long-trouble #lower { height: 17; }
.-wide Readouts { width: 36; }
.-broad Readouts { width: 46; }
.-broad PositionList { width: 56; }
.-tall PositionList:focus, .-tall FrameLog:focus,
.-towering PositionList:focus, .-towering FrameLog:focus {
    border-top: solid $primary; border-title-color: $primary;
}

ModalScreen { align: center middle; background: $background; }
ModalScreen StatusLine { dock: top; }
#card {
    width: 78; max-width: 100%; height: auto; max-height: 100%;
    background: $surface; border: round $panel; padding: 0 2;
    scrollbar-background: $surface; scrollbar-color: $panel; scrollbar-size-vertical: 1;
}
#card Static { width: 100%; background: $surface; color: $foreground; }
#card #title { text-style: bold; margin: 0 0 1 0; color: $primary; }
#card .words { margin: 0 0 1 0; }
#card .hint { color: $muted; }
#card Input { background: $panel; margin: 0 0 0 0; }
#card #buttons { height: auto; margin: 1 0 0 0; align-horizontal: right; background: $surface; }
#card Button { margin: 0 0 0 2; background: $panel; color: $foreground; height: 1; }
#card #menu { height: auto; background: $surface; }
#card #menu Button {
    width: 100%; margin: 0; background: $surface; content-align: left middle; text-align: left;
}
#card Button:focus, #card #menu Button:focus {
    text-style: bold; background: $primary; color: $background;
}
.-no-color #card Button:focus, .-no-color #card #menu Button:focus { text-style: bold reverse; }
"""
