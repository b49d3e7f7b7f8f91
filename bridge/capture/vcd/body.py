"""The value changes of a VCD file, a block at a time as arrays.

    #120          time: the values below hold from tick 120 on
    1!            scalar: value 0 1 x z, at once its code
    b0101 $       vector: b, value, space, code      r13.2 %   real      sidle &   string
    $dumpvars ... $end and the like: the changes between them count as others do

A block is cut at white space; tokens are found by where white space begins and ends, so any
layout that the grammar allows is read, several changes a line as well. A code may begin with
any character (`#`, `b`, `$`), so a token behind a vector or real value is a code whatever it
looks like.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.parse_floats import PAD, pad_block, parse_whole
from bridge.capture.source import Source
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.parse_floats import ByteArray, Indices

TIME, SCALAR, KEYWORD, CODE, VECTOR, REAL, STRING = range(1, 8)  # classes of token; 0 is none
FIRST_BYTES = {b"#": TIME, b"01xXzZuUwWlLhH-": SCALAR, b"$": KEYWORD, b"bB": VECTOR, b"rR": REAL,
         b"sS": STRING}  # fmt: skip
TOKEN_MOST = 1 << 22  # bytes of one token or comment (judgement)
TICKS_MOST = 10**18  # the largest time stamp: 1,000 s in femtoseconds (judgement)
DENSE = 8  # tokens to one value, below which stamps are counted along (judgement)
NO_TICKS: NDArray[np.int64] = np.zeros(0, np.int64)


@dataclass(frozen=True, slots=True)
class Block:
    """Tokens of a stretch of the body: where they start, end, and of what class they are.

    `times` are the tokens that are time stamps, `ticks` their values, `before` and `after` the
    ticks that hold at the start and the end of the stretch, `offset` the byte offset in the file
    of `text[PAD]`, `broken` the error of the token that follows.
    """

    text: ByteArray
    starts: Indices
    ends: Indices
    kinds: NDArray[np.uint8]
    times: Indices
    ticks: NDArray[np.int64]
    before: int
    after: int
    offset: int
    name: str
    broken: CaptureError | None = None

    def find(self, code: bytes, *, scalar: bool) -> Indices:
        """Give the value tokens of the variable of that code."""
        tokens: Indices = np.flatnonzero(self.kinds == (SCALAR if scalar else CODE))
        starts, ends = self.starts[tokens], self.ends[tokens]
        if scalar:
            starts = starts + 1
        else:
            tokens = tokens - 1
        if len(code) == 1:
            return tokens[np.flatnonzero((self.text[starts] == code[0]) & (ends - starts == 1))]
        tokens = tokens[ends - starts == len(code)]
        for n, byte in enumerate(code):
            where = self.starts[tokens] + 1 if scalar else self.starts[tokens + 1]
            tokens = tokens[self.text[where + n] == byte]
        return tokens

    def ticks_of(self, tokens: Indices) -> NDArray[np.int64]:
        """Give the ticks that hold at tokens."""
        if not tokens.size:
            return np.zeros(0, np.int64)
        # how many time stamps come before each: counted along where tokens are dense
        if DENSE * tokens.size > self.kinds.size:
            behind = np.cumsum(self.kinds == TIME)[tokens]
        else:
            behind = np.searchsorted(self.times, tokens)
        known, behind = self.ticks, behind - 1
        if behind[0] < 0:
            known, behind = np.concatenate((np.array([self.before], np.int64), known)), behind + 1
        ticks: NDArray[np.int64] = known[behind]
        return ticks


def read_blocks(source: Source, start: int, first_tick: int, size: int) -> Iterator[Block]:
    """Cut the body into blocks of whole changes, from byte `start` on."""
    rest = b""
    offset = start
    tick = first_tick
    for data in source.blocks(size, start):
        text = rest + data if rest else data
        cut = max(text.rfind(b"\n"), text.rfind(b" "), text.rfind(b"\t"), text.rfind(b"\r")) + 1
        if cut:
            block, used = _cut_block(text[:cut], offset, tick, source.name)
            if block is not None:
                yield block
                if block.broken is not None:
                    raise block.broken
                tick = block.after
            rest = text[used:]
            offset += used
        else:
            rest = text
        if len(rest) > max(TOKEN_MOST, 4 * size):
            raise CaptureError(
                f"{source.name}: byte {offset}: no end of a value or comment within"
                f" {len(rest):,} bytes; this is no VCD file, or it is damaged"
            )
    if rest:
        block, _ = _cut_block(rest, offset, tick, source.name, is_last=True)
        if block is not None:
            yield block
            if block.broken is not None:
                raise block.broken


def _cut_block(
    data: bytes, offset: int, before: int, name: str, *, is_last: bool = False
) -> tuple[Block | None, int]:
    """Find the tokens of some bytes; also how many bytes they are, the rest is not whole."""
    text = pad_block(data)
    used = len(data)
    while True:
        starts, ends, kinds, whole = _find_tokens(text)
        if not whole:  # the code of the last value is still to come
            used = min(used, int(starts[-1]) - PAD)
            starts, ends, kinds = starts[:-1], ends[:-1], kinds[:-1]
        comment = _find_word(text, starts, ends, kinds, b"$comment")
        if comment is None:
            break
        low = int(starts[comment])
        high = text.tobytes().find(b"$end", low)
        if high < 0:
            used = low - PAD
            starts, ends, kinds = starts[:comment], ends[:comment], kinds[:comment]
            break
        text[low : high + 4] = ord(" ")
    if not starts.size:
        return None, used
    bad = np.flatnonzero(kinds == 0)
    broken = None
    if bad.size:
        first = int(bad[0])
        token = text[starts[first] : ends[first]].tobytes()
        broken = CaptureError(
            f"{name}: byte {offset + int(starts[first]) - PAD}:"
            f" {token[:20].decode('latin-1')!r} is neither a time stamp nor a value change;"
            " record or copy the file again"
        )
        starts, ends, kinds, is_last = starts[:first], ends[:first], kinds[:first], False
    times = np.flatnonzero(kinds == TIME)
    if is_last and times.size and int(ends[times[-1]]) == len(data) + PAD:
        digits = text[starts[times[-1]] + 1 : ends[times[-1]]].tobytes()  # may have lost some
        if not digits.isdigit() or int(digits[:40]) < before:
            times = times[:-1]
    block = Block(text, starts, ends, kinds, times, NO_TICKS, before, before, offset, name, broken)
    return _with_ticks(block), used


def _with_ticks(block: Block) -> Block:
    """Read the time stamps; the block ends before one that is no number or goes back."""
    if not block.times.size:
        return block
    starts, ends = block.starts[block.times] + 1, block.ends[block.times]
    ticks, good = parse_whole(block.text, starts, ends)
    good &= not bool((starts == ends).any()) and not bool((ticks > TICKS_MOST).any())
    if good and ticks[0] >= block.before and not bool((ticks[1:] < ticks[:-1]).any()):
        return replace(block, ticks=ticks, after=int(ticks[-1]))
    sound: list[int] = []
    for token, start, end in zip(block.times.tolist(), starts, ends, strict=True):
        digits = block.text[start:end].tobytes()
        last = sound[-1] if sound else block.before
        if not digits.isdigit() or len(digits) > 40 or int(digits) > TICKS_MOST:
            what = f"time stamp #{digits[:20].decode('latin-1')} is no whole number from 0 to 1e18"
        elif int(digits) < last:
            what = f"time #{int(digits)} is before #{last}"
        else:
            sound.append(int(digits))
            continue
        return _end_before(block, token, np.array(sound, np.int64), what)
    return replace(block, ticks=np.array(sound, np.int64), after=sound[-1])


def _end_before(block: Block, token: int, ticks: NDArray[np.int64], what: str) -> Block:
    at = block.offset + int(block.starts[token]) - PAD
    return replace(
        block,
        starts=block.starts[:token],
        ends=block.ends[:token],
        kinds=block.kinds[:token],
        times=block.times[: ticks.size],
        ticks=ticks,
        after=int(ticks[-1]) if ticks.size else block.before,
        broken=CaptureError(f"{block.name}: byte {at}: {what}; record or copy the file again"),
    )


def _find_tokens(text: ByteArray) -> tuple[Indices, Indices, NDArray[np.uint8], bool]:
    space = text <= 32
    bounds = np.flatnonzero(space[1:] != space[:-1])
    bounds += 1
    starts, ends = bounds[0::2], bounds[1::2]
    kinds = _kinds_by_byte()[text[starts]]
    long = np.flatnonzero(kinds >= VECTOR)
    if not long.size:
        return starts, ends, kinds, True
    # in a run of tokens that look like vectors or reals, every second one is a code
    new = np.concatenate(([True], long[1:] - long[:-1] != 1))
    run = long[new][np.cumsum(new) - 1]
    values = long[(long - run) & 1 == 0]
    whole = int(values[-1]) + 1 < kinds.size
    kinds[values[: None if whole else -1] + 1] = CODE
    return starts, ends, kinds, whole


def _find_word(
    text: ByteArray, starts: Indices, ends: Indices, kinds: NDArray[np.uint8], word: bytes
) -> int | None:
    for token in np.flatnonzero(kinds == KEYWORD):
        if text[starts[token] : ends[token]].tobytes() == word:
            return int(token)
    return None


@cache
def _kinds_by_byte() -> NDArray[np.uint8]:
    table = np.zeros(256, np.uint8)
    for firsts, kind in FIRST_BYTES.items():
        table[list(firsts)] = kind
    return table
