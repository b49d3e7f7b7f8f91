"""A frame of the bus and its bytes: the one place that knows which byte is which.

    command   | framing | address | command | data 0-5 |      E0 31 68 FF
    reply     | framing | data 0-7 |                          E4 80

On the line one bit of odd parity follows each byte; parity bits are not part of a frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from typing import TYPE_CHECKING

from bridge.bus import standard as std
from bridge.errors import FrameError

if TYPE_CHECKING:
    from construct import Struct

LONGEST_READ = 8  # bytes; the standard sends up to 6, single-cable installations more (judgement)


@dataclass(frozen=True, slots=True)
class Head:
    """Framing, address and command of a message, each None where it is lost or not there."""

    framing: int | None
    address: int | None = None
    command: int | None = None

    @property
    def is_reply(self) -> bool:
        """Whether a device answers with it."""
        return self.framing in std.REPLIES

    @property
    def is_command(self) -> bool:
        """Whether a receiver sends it to a device."""
        return self.framing in std.COMMAND_FRAMINGS

    @property
    def is_repeat(self) -> bool:
        """Whether its framing says that it was sent before."""
        return self.framing in std.REPEATS

    @property
    def reply_wanted(self) -> bool:
        """Whether its framing asks the device for a reply."""
        return self.framing in std.QUESTIONS


def head_of(byte_values: Sequence[int | None]) -> Head:
    """The head of a message some of whose bytes may be lost.

    A message whose framing is lost is taken for a command.

    >>> head_of((None, 0x31, 0x6B, None)).command == 0x6B
    True
    """
    framing = byte_values[0] if byte_values else None
    if framing in std.REPLIES:
        return Head(framing)
    address, command = (*byte_values[1:3], None, None)[:2]
    return Head(framing, address, command)


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
class Frame(Head):
    """One message on the bus; a frame cut short has no address or no command.

    >>> Frame(0xE0, 0x31, 0x68, b"\\xff").hex
    'E0 31 68 FF'
    >>> Frame.parse(bytes.fromhex("E480")).data
    b'\\x80'
    """

    framing: int
    data: bytes = b""  # what follows the command, or the framing of a reply

    @classmethod
    def parse(cls, message: bytes) -> Frame:
        """The frame that these 1 to 8 bytes make. Raises FrameError."""
        if not 1 <= len(message) <= LONGEST_READ:
            raise FrameError(
                f"a frame of {len(message)} bytes; the bus carries 1 to {LONGEST_READ}, "
                f"commands {std.SHORTEST_COMMAND} to {std.LONGEST_COMMAND}"
            )
        return _parse(bytes(message))

    def build(self) -> bytes:
        """The bytes of this frame. Raises FrameError for fields that make none."""
        head = [self.framing] if self.is_reply else [self.framing, self.address, self.command]
        present = [byte for byte in head if byte is not None]
        fields = {
            "framing": self.framing,
            "address": self.address,
            "command": self.command,
            "data": self.data,
        }
        if self.is_reply and (self.address, self.command) != (None, None):
            raise FrameError(f"a reply has no address and no command: {fields}")
        if None in head[: len(present)] or (self.data and len(present) < len(head)):
            raise FrameError(f"a field is missing before one that is there: {fields}")
        if bad := [byte for byte in present if not 0 <= byte <= 0xFF]:
            raise FrameError(f"byte {bad[0]} is outside 0 to 255")
        length = len(present) + len(self.data)
        if length > LONGEST_READ:
            raise FrameError(f"a frame of {length} bytes; the bus carries at most {LONGEST_READ}")
        return bytes(_layout(length, self.is_reply).build(fields))

    @property
    def hex(self) -> str:
        """The bytes as people write them: `E0 31 68 FF`."""
        return self.build().hex(" ").upper()

    @property
    def duration_s(self) -> float:
        """The time it takes on the line, s, with the quiet of its last bit."""
        return len(self.build()) * std.BYTE_S

    @property
    def body(self) -> bytes:
        """What follows the framing byte: a repeat has it in common with its first transmission."""
        return self.build()[1:]

    @property
    def as_repeat(self) -> Frame:
        """The same command with the framing of a repeat.

        >>> Frame(0xE0, 0x31, 0x60).as_repeat.hex
        'E1 31 60'
        """
        return replace(self, framing=std.REPEAT_OF.get(self.framing, self.framing))


@lru_cache(maxsize=256)  # the same few messages come again and again, and each is asked for often
def _parse(message: bytes) -> Frame:
    reply = message[0] in std.REPLIES
    fields = _layout(len(message), reply).parse(message)
    return Frame(fields.framing, fields.address, fields.command, bytes(fields.data))
