r"""Hex text -> bytes, in the spellings that people and programs use.

E0 31 68 FF    e03168ff    0xE0,0x31    E0h 31h    0E0h    $E0 $31    \xE0\x31    &hE0    x'E031'
"""

from __future__ import annotations

import re

from bridge.errors import FrameError

_WORD = re.compile(
    r"(?:0x|\\x|\$|&h|x')?(?P<pairs>(?:[0-9a-f]{2})+)'?|0x(?P<digit>[0-9a-f])"
    r"|0?(?P<suffixed>[0-9a-f]{2})h",
    re.IGNORECASE,
)
_GAP = re.compile(r"[\s,;:\-{}\[\]()]+")


def parse_hex(text: str) -> bytes:
    """Bytes from hex text in any usual spelling. Raises FrameError naming the word that is none.

    >>> parse_hex("E0 31 68 FF") == parse_hex("0xE0,0x31,0x68,0xff") == parse_hex("e03168ff")
    True
    """
    message = bytearray()
    for word in filter(None, _GAP.split(text.strip())):
        data = parse_hex_word(word)
        if data is None:
            raise FrameError(f"'{word}' is not hex; write bytes as E0 31 68 FF")
        message += data
    if not message:
        raise FrameError("no bytes; write them as E0 31 68 FF")
    return bytes(message)


def parse_hex_word(word: str) -> bytes | None:
    """Bytes of one word without blanks; None when it is no hex.

    >>> [parse_hex_word(word) for word in ("0xE031", "31h", "0xE", "E", "tone")]
    [b'\\xe01', b'1', b'\\x0e', None, None]
    """
    found = _WORD.fullmatch(word)
    if found is None:
        return None
    return bytes.fromhex(found["pairs"] or found["suffixed"] or f"0{found['digit']}")
