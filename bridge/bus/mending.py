"""A bit mended by its parity: where a byte's parity fails, the bit most in doubt is turned."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.bus import standard as std
from bridge.bus.event import Fault
from bridge.bus.parity import fits_parity

MEND_NATS = 9.0  # nats of log likelihood ratio, above which noise did not turn a bit; judgement


def mend_bits(
    bits: Sequence[int | None], margins: Sequence[float], faults: list[Fault]
) -> tuple[int | None, ...]:
    """The bits, with one turned in each byte whose parity does not fit; each is a fault.

    `margins` are how clearly the bits were decided, in nats. A byte with a lost bit, and one
    whose bits were all decided more clearly than by MEND_NATS, stay as they are.

    >>> mend_bits([1, 1, 1, 0, 1, 0, 0, 0, 0], [40, 40, 40, 40, 2.0, 40, 40, 40, 40], [])
    (1, 1, 1, 0, 0, 0, 0, 0, 0)
    """
    mended = list(bits)
    for start in range(0, len(bits) - std.BITS_PER_BYTE + 1, std.BITS_PER_BYTE):
        end = start + std.BITS_PER_BYTE
        known = [bit for bit in bits[start:end] if bit is not None]
        if len(known) < std.BITS_PER_BYTE or fits_parity(sum(known)):
            continue
        weakest = min(range(start, end), key=margins.__getitem__)
        if margins[weakest] > MEND_NATS:
            continue
        place = weakest - start
        mended[weakest] = 1 - known[place]
        what = "its parity bit" if end - weakest == 1 else f"bit {place + 1}"
        odds = f"likelihood ratio e**{margins[weakest]:.1f}"
        number = end // std.BITS_PER_BYTE
        faults.append(Fault("mended", f"byte {number}: {what} turned to fit the parity, {odds}"))
    return tuple(mended)
