"""Decimal numbers in a block of text, all at once: eight digits are one 64 bit word.

A word is loaded so that it ends where the number ends; bytes before its start are cleared.
Three multiplications then join pairs, fours and eights of digits side by side:

    "12345678" -> 12|34|56|78 -> 1234|5678 -> 12345678
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    ByteArray = NDArray[np.uint8]
    Indices = NDArray[np.intp]

PAD = 24  # bytes before the first number of a block: three words reach back from its end
DIGITS_MOST = 18  # digits that fit an int64 whatever they are: 10**18 < 2**63
ZERO, DOT, COMMA, MINUS, PLUS, SPACE, NEWLINE, RETURN = b"0.,-+ \n\r"
EXPONENT_MOST = 99  # of two digits; longer ones are read one by one (judgement)


def pad_block(data: bytes) -> ByteArray:
    """Copy bytes into an array with `PAD` line ends before them and one word behind."""
    block = np.empty(len(data) + PAD + 8, np.uint8)
    block[:PAD] = NEWLINE
    block[PAD:-8] = np.frombuffer(data, np.uint8)
    block[-8:] = NEWLINE
    return block


def parse_whole(block: ByteArray, starts: Indices, ends: Indices) -> tuple[NDArray[np.int64], bool]:
    """Read runs of 0 to 18 digits as numbers; False when any holds something else.

    >>> import numpy as np
    >>> text = pad_block(b"#120 #98765432101")
    >>> parse_whole(text, np.array([1, 6]) + PAD, np.array([4, 17]) + PAD)[0].tolist()
    [120, 98765432101]
    """
    lengths = ends - starts
    if not lengths.size:
        return np.zeros(0, np.int64), True
    most = int(lengths.max())
    if most > DIGITS_MOST or int(lengths.min()) < 0:
        return np.zeros(lengths.size, np.int64), False
    total, good = _eight(block, ends, np.minimum(lengths, 8) if most > 8 else lengths)
    if most > 8:
        high, fine = _eight(block, ends - 8, np.clip(lengths - 8, 0, 8))
        total += high * np.int64(10**8)
        good &= fine
    if most > 16:
        top, fine = _eight(block, ends - 16, np.clip(lengths - 16, 0, 8))
        total += top * np.int64(10**16)
        good &= fine
    return total, good


def _eight(block: ByteArray, ends: Indices, lengths: Indices) -> tuple[NDArray[np.int64], bool]:
    u8 = np.uint64
    words = np.ndarray((block.size - 7,), np.dtype("<u8"), block.data, 0, (1,))[ends - 8]
    least, most = int(lengths.min()), int(lengths.max())
    digits = u8(0x3030303030303030)
    if least == most:  # one shift for all
        if most == 0:
            return np.zeros(lengths.size, np.int64), True
        shift = u8(64 - 8 * most)
        words >>= shift
        words <<= shift
        words ^= (digits >> shift) << shift
    else:
        shifts = ((8 - np.maximum(lengths, 1)) * 8).astype(u8)
        words ^= digits
        words >>= shifts
        words <<= shifts
        if least == 0:
            words[lengths == 0] = 0
    # a digit's byte is now 0..9: adding 6 must not reach the high half
    good = not int(
        np.bitwise_or.reduce((words + u8(0x0606060606060606)) | words) & 0xF0F0F0F0F0F0F0F0
    )
    words *= u8(2561)
    words >>= u8(8)
    words &= u8(0x00FF00FF00FF00FF)
    words *= u8(6553601)
    words >>= u8(16)
    words &= u8(0x0000FFFF0000FFFF)
    words *= u8(42949672960001)
    words >>= u8(32)
    return words.view(np.int64), good


def parse_decimals(
    block: ByteArray, starts: Indices, ends: Indices, mark: int = DOT
) -> NDArray[np.float64] | None:
    """Read numbers such as -0.02, 18, +1.5e-03; None when any is not of that form.

    Exact to the last digit of a double up to 15 digits. `mark` is the decimal mark.

    >>> import numpy as np
    >>> text = pad_block(b"-1.25,18.5e-01,7")
    >>> parse_decimals(text, np.array([0, 6, 15]) + PAD, np.array([5, 14, 16]) + PAD).tolist()
    [-1.25, 1.85, 7.0]
    """
    if not starts.size:
        return np.zeros(0, np.float64)
    signs = block[starts]
    negative = signs == MINUS
    signed = negative | (signs == PLUS)
    if signed.any():
        starts = starts + signed
    if bool((ends <= starts).any()):
        return None
    exponents: NDArray[np.int64] | None = None
    has_exponent = (block[ends - 4] | 32) == ord("e")
    if has_exponent.any():
        found = _find_exponents(block, starts, ends, has_exponent)
        if found is None:
            return None
        exponents, ends = found
    dots = _find_marks(block, starts, ends, mark)
    whole, good = parse_whole(block, starts, dots)
    if not good:
        return None
    places = ends - dots - 1  # -1 where there is no mark
    most, least = int(places.max()), int(places.min())
    if bool(((places == 0) & (ends - starts == 1)).any()):  # a mark without a digit
        return None
    if most <= 0:
        if exponents is None:
            values = whole.astype(np.float64)
            return np.negative(values, out=values, where=negative) if signed.any() else values
        places = np.maximum(places, 0)
    else:
        if int((dots - starts).max()) + most > DIGITS_MOST:
            return None
        fraction, good = parse_whole(block, np.minimum(dots + 1, ends), ends)
        if not good:
            return None
        places = np.maximum(places, 0)
        whole = whole * (10**most if least == most else _powers()[places]) + fraction
    values = whole.astype(np.float64)
    if exponents is not None:
        power = exponents - places
        np.divide(values, _floats()[np.maximum(-power, 0)], out=values)
        np.multiply(values, _floats()[np.maximum(power, 0)], out=values)
    elif least == most:
        values /= 10.0**most
    else:
        values /= _floats()[places]
    if signed.any():
        np.negative(values, out=values, where=negative)
    return values


def _find_exponents(
    block: ByteArray, starts: Indices, ends: Indices, has_exponent: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], Indices] | None:
    """Exponents of the form e-03; also where the numbers before them end."""
    sign = block[ends - 3]
    right = (sign == MINUS) | (sign == PLUS)
    tens, units = block[ends - 2] - np.uint8(48), block[ends - 1] - np.uint8(48)
    right &= (tens < 10) & (units < 10) & (ends - starts > 4)
    if not bool(right[has_exponent].all()):
        return None
    size = tens.astype(np.int64) * 10 + units
    exponents = np.where(has_exponent, np.where(sign == MINUS, -size, size), 0)
    return exponents, np.where(has_exponent, ends - 4, ends)


def _find_marks(block: ByteArray, starts: Indices, ends: Indices, mark: int) -> Indices:
    """Where the decimal mark of each number is, or its end when it has none."""
    head = block[int(starts[0]) : int(ends[0])]
    at = np.flatnonzero(head == mark)
    places = head.size - int(at[0]) if at.size else 0
    if places:
        guess = ends - places
        if bool((block[guess] == mark).all()) and bool((guess >= starts).all()):
            return guess
    low, high = int(starts[0]), int(ends[-1])
    marks = np.flatnonzero(block[low:high] == mark) + low
    if not marks.size:
        return ends
    near = np.searchsorted(marks, starts)
    found = marks[np.minimum(near, marks.size - 1)]
    return np.where((near < marks.size) & (found < ends), found, ends)


def _powers() -> NDArray[np.int64]:
    return 10 ** np.arange(DIGITS_MOST + 1, dtype=np.int64)


def _floats() -> NDArray[np.float64]:
    return np.array([float(f"1e{n}") for n in range(EXPONENT_MOST + DIGITS_MOST + 2)])
