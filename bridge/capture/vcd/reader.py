"""VCD files: logic lines, vectors bit by bit, and real variables laid on their even grid.

- A scalar is `Edges`.
- A real is `Samples`: its changes are held until the next one, on the even grid they were
  found to lie on; where they lie on none, on a grid four times as fine as their usual
  distance, up to 250 kHz.
- A vector is `Edges` for each bit, named `data[3]`, and `Samples` of its number when its
  changes lie on an even grid fast enough for a carrier (a converter's output).

The grid is looked for in the first changes of each variable, within the first 64 MB.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.edges import keep_changes, only_edges
from bridge.capture.parse_floats import PAD, parse_decimals
from bridge.capture.source import Source
from bridge.capture.trace import UNKNOWN_LEVEL, Capture, Edges, Samples, Trace
from bridge.capture.units import round_rate
from bridge.capture.vcd.body import Block, read_blocks
from bridge.capture.vcd.even_grid import Grid, find_grid, hold_samples
from bridge.capture.vcd.head import Header, Variable, read_header
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.parse_floats import Indices
    from bridge.capture.trace import EdgeStep, FloatBlock

GRID_BYTES = 1 << 26  # bytes of the body, looked at for an even grid (judgement)
GRID_CHANGES = 4096  # changes, enough for a rate to a few parts per million (judgement)
TAIL_BYTES = 1 << 16  # bytes from the end, looked at for the last time stamp (judgement)
WIDTH_MOST = 64  # bits of a vector that are offered one by one (judgement)
NUMBER_WIDTH_MOST = 32  # bits of a vector that is offered as a number (judgement)
CARRIER_RATE_HZ = 40_000.0  # Hz; slower numbers hardly hold a carrier of 22 kHz (judgement)
SAMPLES_PIECE = 1 << 20  # samples made at a time (judgement)


def read_vcd(source: Source, rate_hz: float | None, block: int) -> Capture:
    """Read the declarations and the first values; the rest is read by passes."""
    header = read_header(source)
    first = _first_tick(source, header, block)
    body = partial(read_blocks, source, header.body_start, first, block)
    end_s = _read_end(source, header)
    tick_s = header.tick_s
    names = _name(header.variables)
    grids = _find_grids(header, body(), block)
    scalars: list[Trace] = []
    numbers: list[Trace] = []
    bits: list[Trace] = []
    notes = []
    seen = set()
    for variable, name in zip(header.variables, names, strict=True):
        if variable.code in seen:  # a second name of the same signal
            continue
        seen.add(variable.code)
        grid = grids.get(variable.code)
        if grid is not None and (
            variable.is_real or (grid.is_even and grid.period * tick_s * CARRIER_RATE_HZ <= 1)
        ):
            numbers.append(
                Samples(
                    name,
                    round_rate(1 / (grid.period * tick_s), 1e-12),
                    grid.first * header.tick_count / header.ticks_per_s,
                    variable.is_real,
                    partial(_samples, body, variable, grid, source.name),
                )
            )
        if variable.is_real:
            continue
        if variable.width > WIDTH_MOST:
            notes.append(f"{source.name}: {name} has {variable.width} bits; left out (64 at most)")
            continue
        for bit in range(variable.width):
            place = None if variable.width == 1 else bit
            steps = partial(_steps, body, header, variable, bit)
            trace = Edges(
                name if place is None else f"{name}[{variable.lowest + bit}]",
                tick_s,
                first * header.tick_count / header.ticks_per_s,
                end_s,
                partial(only_edges, steps),
                steps,
            )
            (scalars if place is None else bits).append(trace)
    if not scalars and not numbers and not bits:
        raise CaptureError(f"{source.name}: no variable of up to 64 bits; record the bus alone")
    if rate_hz is not None:
        notes.append(f"{source.name}: a VCD file has its own time scale; --rate is not used")
    return Capture(source.name, (*scalars, *numbers, *bits), tuple(notes))


def _name(variables: tuple[Variable, ...]) -> list[str]:
    """Short names where they are unique, else with their scopes."""
    names = [variable.name for variable in variables]
    codes: dict[str, set[bytes]] = {}
    for variable in variables:
        codes.setdefault(variable.name, set()).add(variable.code)
    return [
        variable.path if len(codes[name]) > 1 else name
        for variable, name in zip(variables, names, strict=True)
    ]


def _first_tick(source: Source, header: Header, block: int) -> int:
    for piece in read_blocks(source, header.body_start, 0, block):
        if piece.times.size:
            return int(piece.ticks[0])
    return 0


def _read_end(source: Source, header: Header) -> float | None:
    """Time of the last stamp, from the tail of the file; None where it is unknown."""
    if source.size is None:
        return None
    start = max(header.body_start - 1, source.size - TAIL_BYTES)
    tail = next(source.blocks(TAIL_BYTES + 1, start), b"")
    stamps = re.findall(rb"(?<=\n)#(\d{1,18})(?=\s)", tail)
    if not stamps:
        return None
    return int(stamps[-1]) * header.tick_count / header.ticks_per_s


def _find_grids(header: Header, body: Iterator[Block], block: int) -> dict[bytes, Grid]:
    wanted = {
        variable.code: variable
        for variable in header.variables
        if variable.is_real or 1 < variable.width <= NUMBER_WIDTH_MOST
    }
    found: dict[bytes, list[NDArray[np.int64]]] = {code: [] for code in wanted}
    count = dict.fromkeys(wanted, 0)
    data = 0
    for piece in body if wanted else ():
        for code in wanted:
            if count[code] < GRID_CHANGES:
                ticks = piece.ticks_of(piece.find(code, scalar=False))[:GRID_CHANGES]
                found[code].append(ticks)
                count[code] += ticks.size
        data += piece.text.size
        if data > GRID_BYTES or all(n >= GRID_CHANGES for n in count.values()):
            break
    return {
        code: find_grid(np.concatenate(ticks)[:GRID_CHANGES], header.tick_s)
        for code, ticks in found.items()
        if count[code]
    }


def _steps(
    body: partial[Iterator[Block]], header: Header, variable: Variable, bit: int
) -> Iterator[EdgeStep]:
    return keep_changes(_levels(body, header, variable, bit))


def _levels(
    body: partial[Iterator[Block]], header: Header, variable: Variable, bit: int
) -> Iterator[tuple[float, NDArray[np.float64], NDArray[np.uint8]]]:
    table = np.full(256, UNKNOWN_LEVEL, np.uint8)
    table[[ord("0"), ord("l"), ord("L")]] = 0
    table[[ord("1"), ord("h"), ord("H")]] = 1
    per_s = float(header.ticks_per_s)

    for block in body():
        tokens, data = _find_bits(block, variable, bit)
        times_s = block.ticks_of(tokens) * np.float64(header.tick_count)
        times_s /= per_s
        yield block.after * header.tick_count / per_s, times_s, table[data]


def _find_bits(block: Block, variable: Variable, bit: int) -> tuple[Indices, NDArray[np.uint8]]:
    """Tokens that change a bit, and the characters they change it to."""
    if variable.width > 1:
        tokens = block.find(variable.code, scalar=False)
        return tokens, _bit(block, tokens, bit)
    tokens = block.find(variable.code, scalar=True)
    data = block.text[block.starts[tokens]]
    long = block.find(variable.code, scalar=False)  # b1 ! is allowed as well
    if long.size:
        tokens = np.concatenate((tokens, long))
        data = np.concatenate((data, _bit(block, long, 0)))
        order = np.argsort(tokens, kind="stable")
        tokens, data = tokens[order], data[order]
    return tokens, data


def _bit(block: Block, tokens: Indices, bit: int) -> NDArray[np.uint8]:
    """The character of one bit; a short value goes on to the left with 0, x or z."""
    starts, ends = block.starts[tokens] + 1, block.ends[tokens]
    place = ends - 1 - bit
    first = block.text[starts]
    first = np.where(first == ord("1"), np.uint8(ord("0")), first)
    return np.where(place >= starts, block.text[place], first)


def _samples(
    body: partial[Iterator[Block]], variable: Variable, grid: Grid, where: str
) -> Iterator[FloatBlock]:
    return hold_samples(_values(body, variable), grid, SAMPLES_PIECE, where)


def _values(
    body: partial[Iterator[Block]], variable: Variable
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.float32], int]]:
    for block in body():
        tokens = block.find(variable.code, scalar=False)
        broken = None
        if variable.is_real:
            values, broken = _reals(block, tokens)
            tokens = tokens[: values.size]
        else:
            values = _numbers(block, tokens)
        ticks = block.ticks_of(tokens)
        if broken is None:
            yield ticks, values, block.after
            continue
        yield ticks, values, int(ticks[-1]) if ticks.size else block.before
        raise broken


def _reals(block: Block, tokens: Indices) -> tuple[NDArray[np.float32], CaptureError | None]:
    """Values, up to one that is no number, and its error."""
    starts, ends = block.starts[tokens] + 1, block.ends[tokens]
    values = parse_decimals(block.text, starts, ends)
    if values is not None:
        return values.astype(np.float32), None
    slow: list[float] = []
    broken = None
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        text = block.text[start:end].tobytes()
        try:
            slow.append(float(text))
        except ValueError:
            broken = CaptureError(
                f"{block.name}: byte {block.offset + start - PAD}:"
                f" {text[:20].decode('latin-1')!r} is no number; record or copy the file again"
            )
            break
    with np.errstate(over="ignore"):
        return np.array(slow, np.float64).astype(np.float32), broken


def _numbers(block: Block, tokens: Indices) -> NDArray[np.float32]:
    starts, ends = block.starts[tokens] + 1, block.ends[tokens]
    total = np.zeros(tokens.size, np.float64)
    for bit in range(int((ends - starts).max()) if tokens.size else 0):
        data = _bit(block, tokens, bit)
        total += np.where(data == ord("1"), 2.0**bit, np.where(data == ord("0"), 0.0, np.nan))
    return total.astype(np.float32)
