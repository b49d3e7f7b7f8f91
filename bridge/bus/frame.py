"""A frame of the bus and its bytes.

    command   | framing | address | command | data 0-3 |      E0 31 68 FF
    reply     | framing | data 0-3 |                          E4 80

Each byte is followed on the line by one bit of odd parity, which lives in `keying`, not here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING

from bridge.bus import standard
from bridge.errors import FrameError

if TYPE_CHECKING:
    from construct import Struct

LONGEST_READ = 8  # bytes; the standard sends up to 6, single-cable installations more

_REPLIES = (
    standard.REPLY_OK,
    standard.REPLY_UNSUPPORTED,
    standard.REPLY_PARITY,
    standard.REPLY_UNKNOWN,
)
_REPEATS = (standard.COMMAND_REPEAT, standard.ASK_REPEAT)
_ASKS = (standard.ASK_FIRST, standard.ASK_REPEAT)


@cache
def _layout(length: int, reply: bool) -> Struct:
    """The fields of a frame of `length` bytes: what is not there is None or empty."""
    from construct import Byte, Bytes, If, Struct, Terminated  # noqa: PLC0415  (slow to import)

    head = 1 if reply else min(length, 3)
    return Struct(
        "framing" / Byte,
        "address" / If(lambda _: head > 1, Byte),
        "command" / If(lambda _: head > 2, Byte),
        "data" / Bytes(length - head),
        Terminated,
    )


@dataclass(frozen=True, slots=True)
class Frame:
    """One message on the bus; a frame cut short has no address or no command.

    >>> Frame(0xE0, 0x31, 0x68, b"\\xff").hex
    'E0 31 68 FF'
    >>> Frame.parse(bytes.fromhex("E480")).data
    b'\\x80'
    """

    framing: int
    address: int | None = None
    command: int | None = None
    data: bytes = b""

    @classmethod
    def parse(cls, message: bytes) -> Frame:
        """The frame that these 1 to 8 bytes make. Raises FrameError."""
        if not 1 <= len(message) <= LONGEST_READ:
            raise FrameError(
                f"a frame of {len(message)} bytes; the bus carries 1 to {LONGEST_READ}, "
                f"commands 3 to {standard.LONGEST_COMMAND}"
            )
        return _parse(bytes(message))

    def build(self) -> bytes:
        """The bytes of this frame. Raises FrameError for fields that make none."""
        head = [self.framing, self.address, self.command]
        present = [byte for byte in head if byte is not None]
        hollow = (self.address is None and self.command is not None) or (
            self.command is None and self.data and not self.is_reply
        )
        if hollow or (self.is_reply and len(present) > 1):
            raise FrameError(
                f"fields {self!r} leave a hole: framing, address, command, data stand in that order"
            )
        if bad := [byte for byte in present if not 0 <= byte <= 0xFF]:
            raise FrameError(f"byte {bad[0]} is outside 0 to 255")
        length = len(present) + len(self.data)
        if length > LONGEST_READ:
            raise FrameError(f"a frame of {length} bytes; the bus carries at most {LONGEST_READ}")
        fields = {
            "framing": self.framing,
            "address": self.address,
            "command": self.command,
            "data": self.data,
        }
        return bytes(_layout(length, self.is_reply).build(fields))

    @property
    def hex(self) -> str:
        """The bytes as people write them: `E0 31 68 FF`."""
        return self.build().hex(" ").upper()

    @property
    def is_reply(self) -> bool:
        return self.framing in _REPLIES

    @property
    def is_repeat(self) -> bool:
        return self.framing in _REPEATS

    @property
    def reply_wanted(self) -> bool:
        return self.framing in _ASKS


@lru_cache(maxsize=256)  # the same few messages come again and again, and each is asked for often
def _parse(message: bytes) -> Frame:
    from construct import ConstructError  # noqa: PLC0415

    reply = message[0] in _REPLIES
    try:
        fields = _layout(len(message), reply).parse(message)
    except ConstructError as error:  # cannot happen once the length is right; never hide it
        raise FrameError(f"bytes {message.hex(' ').upper()} make no frame: {error}") from error
    return Frame(fields.framing, fields.address, fields.command, bytes(fields.data))


_BYTE = re.compile(r"0x([0-9a-f]{1,2})|([0-9a-f]{2})h?", re.IGNORECASE)
_GAP = re.compile(r"[\s,;:\-{}\[\]()]+")


def parse_hex(text: str) -> bytes:
    """Bytes from hex text in any usual spelling. Raises FrameError naming the word that is none.

    >>> parse_hex("E0 31 68 FF") == parse_hex("0xE0,0x31,0x68,0xff") == parse_hex("e03168ff")
    True
    """
    message = bytearray()
    for word in filter(None, _GAP.split(text.strip())):
        if single := _BYTE.fullmatch(word):
            message.append(int(single[1] or single[2], 16))
        elif re.fullmatch(r"(0x)?([0-9a-f]{2})+", word, re.IGNORECASE):
            message += bytes.fromhex(word.lower().removeprefix("0x"))
        else:
            raise FrameError(f"'{word}' is not hex; write bytes as E0 31 68 FF")
    if not message:
        raise FrameError("no bytes; write them as E0 31 68 FF")
    return bytes(message)
