"""The usual cautions, in one place; shown wherever something real may move."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "Isolate and lock off the motor supply before hands come near the mount.",
    "A dish moves without warning: keep people, ladders and hands clear, keep it in sight, "
    "and never leave it moving unattended.",
    "Ladder secured, never alone on a roof, clear of overhead lines; not in wind, ice or storm.",
    "Mains, earthing and lightning protection belong to licensed practitioners under the local "
    "code, which comes before anything said here.",
    "Soft limits, time-outs and this program are not safety devices: keep an independent means "
    "of isolation within reach.",
    "A receive-only dish emits nothing; confirm that no transmitter is fitted.",
    "Sunlight focused by a shiny reflector burns.",
)

REHEARSAL = "This is a simulated dish: nothing real moves. At a real one these cautions hold:"
REAL = "This port drives a real dish. Before anything moves:"
