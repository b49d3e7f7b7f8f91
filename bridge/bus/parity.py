"""Bits on the line <-> bytes: each byte is followed by one bit of odd parity.

    bit 7 | 6 | 5 | 4 | 3 | 2 | 1 | bit 0 | parity      nine bits, most significant first

Of the nine an odd number are ones (Bus Functional Specification, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, overload

from bridge.bus import standard as std

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class CheckedBytes:
    """What a row of bits holds: bytes, whether the parity of each fits, and bits left over.

    A byte with a lost bit is None, and its parity does not fit.
    """

    byte_values: tuple[int | None, ...]
    parity_ok: tuple[bool, ...]
    left_over: tuple[int | None, ...]

    @property
    def is_whole(self) -> bool:
        """Whether these are whole bytes, one or more, each with its parity right."""
        return bool(self.byte_values) and all(self.parity_ok) and not self.left_over


def parity_bit(byte: int) -> int:
    """The odd parity bit: with it the count of ones is odd.

    >>> [parity_bit(byte) for byte in (0x00, 0x01, 0x55, 0x7F, 0x80, 0xE0, 0xFF)]
    [1, 0, 1, 0, 0, 0, 1]
    """
    return 1 - byte.bit_count() % 2


@overload
def fits_parity(ones: int) -> bool: ...
@overload
def fits_parity(ones: NDArray[Any]) -> NDArray[np.bool_]: ...
def fits_parity(ones: Any) -> Any:
    """Whether a byte's nine bits have odd parity, by how many of them are ones."""
    return ones % 2 == 1


def bits_of(data: bytes) -> list[int]:
    """The bits on the line, parity bits among them.

    >>> bits_of(b"\\xe0")
    [1, 1, 1, 0, 0, 0, 0, 0, 0]
    """
    return [
        bit
        for byte in data
        for bit in (*((byte >> n) & 1 for n in range(7, -1, -1)), parity_bit(byte))
    ]


def check_bytes(bits: Sequence[int | None]) -> CheckedBytes:
    """The bytes that these bits make, each with its parity checked; a lost bit is None.

    >>> check_bytes([1, 1, 1, 0, 0, 0, 0, 0, 1, 1])
    CheckedBytes(byte_values=(224,), parity_ok=(False,), left_over=(1,))
    """
    byte_values: list[int | None] = []
    parity_ok: list[bool] = []
    whole = len(bits) - len(bits) % std.BITS_PER_BYTE
    for start in range(0, whole, std.BITS_PER_BYTE):
        group = bits[start : start + std.BITS_PER_BYTE]
        known = [bit for bit in group if bit is not None]
        if len(known) < std.BITS_PER_BYTE:
            byte_values.append(None)
            parity_ok.append(False)
            continue
        byte_values.append(sum(bit << (7 - n) for n, bit in enumerate(known[:8])))
        parity_ok.append(fits_parity(sum(known)))
    return CheckedBytes(tuple(byte_values), tuple(parity_ok), tuple(bits[whole:]))
