"""A packet and its line on the serial port: ASCII words, a number in front, a checksum behind.

    17 send E03168FF 0 38FC\\n
    |  |    |          |
    |  |    |          CRC-16 of all before the blank in front of it, four hex digits
    |  |    arguments, parted by single blanks
    |  verb
    number of the request that this is, or answers; - where there is none

    host asks (one at a time)        adapter answers
    N greet 1 NONCE                  N ok 1 FIRMWARE BOOT BYTES CAPABILITIES
    N lease SECONDS STOPFRAME        N ok            how long the host may be silent; 0 ends it
    N keep                           N ok
    N send FRAME LISTEN_MS           N ok T [REPLY]  T: start on the bus, adapter's own seconds
    N supply 0|13|18                 N ok T
    N tone on|off                    N ok T
    N burst A|B                      N ok T
    N tally COUNT                    N ok            call this place COUNT
    N status                         N ok key=value ...
                                     N no CODE words why it was not done
                                     N wait          the same request, still on the bus
    without number or checksum, for people and for stops in a hurry:
    stop                             - ok stop       the motor's stop frame goes out, twice
    status                           - ok key=value ...
    the adapter by itself:
                                     - booted BOOT | tripped T TRIPS | stopped T
                                     - heard T FRAME  a frame of the bus that was not asked for
                                     - keyed T FRAME  a frame the adapter sent by itself
                                     - damaged        a line that did not check

Numbers run from 0 to 9999 and start again, by one for each request. The same number with the
same words is the same request: it is answered again and not acted on again. Lines end with a line
feed, a carriage return before it is allowed, and hold at most 240 bytes.
"""

from __future__ import annotations

import binascii
import re
from dataclasses import dataclass

from bridge.errors import BadInput

PROTOCOL = 1  # version that `greet` offers
LONGEST_LINE = 240  # bytes without the line feed (judgement: a small board buffers 256)
NUMBERS = 10_000  # request numbers before they start again at 0 (judgement)
CRC_START = 0xFFFF  # CRC-16 CCITT-FALSE: polynomial 0x1021, nothing reflected
UNNUMBERED = "-"
BARE = (b"stop", b"status")
STOP_LINE = b"\nstop\nstop\n"  # ends a line cut short; twice, since nothing checks it

_LINE = re.compile(rb"(-|0|[1-9][0-9]{0,3}) ([a-z]+)((?: [!-~]+)*) ([0-9A-F]{4})")
_WORD = re.compile(r"[!-~]+")


@dataclass(frozen=True, slots=True)
class Packet:
    """One line; `bare` marks words that came without number and checksum.

    >>> Packet(17, "send", ("E03168FF", "0")).line()
    b'17 send E03168FF 0 38FC\\n'
    """

    number: int | None
    verb: str
    args: tuple[str, ...] = ()
    bare: bool = False

    @property
    def body(self) -> str:
        """The words between number and checksum."""
        return " ".join((self.verb, *self.args))

    def line(self) -> bytes:
        """The line with its checksum and line feed; BadInput if no line can carry it."""
        if self.bare:
            return self.verb.encode("ascii") + b"\n"
        if self.number is not None and not 0 <= self.number < NUMBERS:
            raise BadInput(f"packet number {self.number} is not in 0 to {NUMBERS - 1}")
        for word in (self.verb, *self.args):
            if not _WORD.fullmatch(word):
                raise BadInput(f"{word!r} is no word of printable ASCII without blanks")
        head = UNNUMBERED if self.number is None else str(self.number)
        text = f"{head} {self.body}".encode("ascii")
        if len(text) + 5 > LONGEST_LINE:
            raise BadInput(
                f"a packet of {len(text) + 5} bytes is longer than {LONGEST_LINE}; send less"
            )
        return b"%s %04X\n" % (text, crc(text))


def crc(data: bytes) -> int:
    """CRC-16 CCITT-FALSE.

    >>> hex(crc(b"123456789"))
    '0x29b1'
    """
    return binascii.crc_hqx(data, CRC_START)


def parse_line(line: bytes) -> Packet | None:
    """The packet in a line without its line feed; None for a damaged or foreign line."""
    line = line.rstrip(b"\r")
    if line.strip().lower() in BARE:
        return Packet(None, line.strip().lower().decode("ascii"), bare=True)
    if len(line) > LONGEST_LINE:
        return None
    match = _LINE.fullmatch(line)
    if match is None or crc(line[:-5]) != int(match[4], 16):
        return None
    number = None if match[1] == b"-" else int(match[1])
    return Packet(number, match[2].decode("ascii"), tuple(match[3].decode("ascii").split()))


class LineSplitter:
    """Bytes in any chunks -> whole lines; a line that is too long is dropped up to its end."""

    __slots__ = ("_dropping", "_rest")

    def __init__(self) -> None:
        self._rest = b""
        self._dropping = False

    def feed(self, data: bytes) -> list[bytes]:
        """The lines that end in `data`, without line feeds; one that is too long comes as b'?'."""
        *ended, rest = (self._rest + data).split(b"\n")
        lines = []
        for line in ended:
            if self._dropping or len(line) > LONGEST_LINE + 1:
                self._dropping = False
                lines.append(b"?")
            else:
                lines.append(line)
        if len(rest) > LONGEST_LINE + 1:
            self._dropping, rest = True, b""
        self._rest = rest
        return lines
