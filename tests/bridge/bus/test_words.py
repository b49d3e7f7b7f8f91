"""The words of the command line and the frames they name."""

from __future__ import annotations

import pytest

from bridge.bus.words import parse_words
from bridge.errors import WordsError

USAGE = (
    "halt; drive east|west N counts|seconds; limit east|west; limits on|off; store N; goto N; "
    "goto angle 22.0E; status; write port 0 horizontal|vertical high|low A|B A|B; raw E0 31 68 FF"
)
PORT_0 = "write port 0 horizontal|vertical high|low A|B A|B"


@pytest.mark.parametrize(
    ("words", "hex_text"),
    [
        ("halt", "E0 31 60"),
        ("drive east 1 count", "E0 31 68 FF"),
        ("drive east 2 step", "E0 31 68 FE"),
        ("drive east 2 steps", "E0 31 68 FE"),
        ("drive west 3 seconds", "E0 31 69 03"),
        ("drive west 1 second", "E0 31 69 01"),
        ("drive west 127 s", "E0 31 69 7F"),
        ("DRIVE WEST 128 counts", "E0 31 69 80"),
        ("store 7", "E0 31 6A 07"),
        ("goto 7", "E0 31 6B 07"),
        ("goto 0x0A", "E0 31 6B 0A"),
        ("goto 0", "E0 31 6B 00"),
        ("limit east", "E0 31 66"),
        ("limit west", "E0 31 67"),
        ("limits on", "E0 31 6A 00"),
        ("limits off", "E0 31 63"),
        ("goto angle 22.0E", "E0 31 6E E1 60"),
        ("goto angle 22 ° East", "E0 31 6E E1 60"),
        ("goto angle 10,5 west", "E0 31 6E D0 A8"),
        ("status", "E2 31 64"),
        ("write port 0 horizontal high A A", "E0 10 38 F3"),
        ("write port 0 vertical low B A", "E0 10 38 F4"),
        ("write port 0 low b B horizontal", "E0 10 38 FE"),
        ("write port 0 horizontal", "E0 10 38 22"),
        ("write port 0 0xF1", "E0 10 38 F1"),
        ("write port 1 0xF1", "E0 10 39 F1"),
        ("write analogue 0 12", "E0 21 48 0C"),
        ("write analogue 1 255", "E0 00 49 FF"),
        ("write frequency 0x11 0x75", "E0 00 58 11 75"),
        ("write frequency 0x11 0x75 0", "E0 00 58 11 75 00"),
        ("standby", "E0 00 02"),
        ("switch 0 flags", "E0 10 14"),
        ("switch 3 flags", "E0 10 17"),
        ("low oscillator", "E0 10 20"),
        ("switch S1B", "E0 10 2C"),
        ("switch S4B", "E0 10 2F"),
        ("sleep", "E0 00 30"),
        ("write port 3 1", "E0 10 3B 01"),
        ("read analogue 0", "E0 00 40"),
        ("single-cable installation 1 2", "E0 00 5B 01 02"),
        ("read counter", "E0 31 65"),
        ("set positions 1 2 3", "E0 31 6F 01 02 03"),
        ("raw E0 31 68 FF", "E0 31 68 FF"),
        ("raw 18", "18"),
        ("e03168ff", "E0 31 68 FF"),
        ("E0h 31h 60h", "E0 31 60"),
        ("0xE0, 0x31, 0x60", "E0 31 60"),
    ],
)
def test_words(words, hex_text):
    assert parse_words(words.split()).hex == hex_text
    assert parse_words([words]).hex == hex_text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("", f"no command; try: {USAGE}"),
        ("Dance", f"'dance' is no command; try: {USAGE}"),
        ("limits maybe", f"'limits maybe' is no command; try: {USAGE}"),
        ("drive east", "'drive east' has no bound; say how far: drive east 5 counts, or "
                       "drive east 3 seconds"),
        ("drive", "'drive' is no drive; say: drive east|west N counts|seconds"),
        ("drive west 5 turns",
         "'drive west 5 turns' is no drive; say: drive east|west N counts|seconds"),
        ("drive up", "the side is 'east' or 'west', not 'up'"),
        ("drive up 1 count", "the side is 'east' or 'west', not 'up'"),
        ("limit up", "the side is 'east' or 'west', not 'up'"),
        ("drive east many counts", "the number of counts is a whole number, not 'many'"),
        ("drive east 1.5 seconds", "the number of seconds is a whole number, not '1.5'"),
        ("drive east 129 counts", "a drive of 129 is outside 1 to 128 counts"),
        ("drive east 0 seconds", "a drive of 0 is outside 1 to 127 seconds"),
        ("drive east 128 seconds", "a drive of 128 is outside 1 to 127 seconds"),
        ("store", "store needs a position number, 1 to 255: store 7"),
        ("store 0", "position 0 is outside 1 to 255"),
        ("store it", "a position is a whole number, not 'it'"),
        ("goto", "goto needs a position number, 1 to 255, or 0 for the reference"),
        ("goto 256", "position 256 is outside 0 to 255"),
        ("goto 7 8", "'goto' takes 1 byte of data, not 2"),
        ("goto angle 200E", "an angle of 200 is outside 0 to 180 degrees"),
        ("goto angle up", "an angle is written 22.0E or 10.5W, not 'up'"),
        ("halt 5 times", "'halt' takes nothing after it, not '5 times'"),
        ("reset limits", "'reset' takes nothing after it, not 'limits'"),
        ("write port 0", f"name the lines to set: {PORT_0}"),
        ("write port 0 A A A", f"'a' sets a line of port 0 twice; say: {PORT_0}"),
        ("write port 0 high low", f"'low' sets a line of port 0 twice; say: {PORT_0}"),
        ("write port 0 up", f"'up' is no line of port 0; say: {PORT_0}"),
        ("write port 0 256", "data byte 256 of 'write port 0' is outside 0 to 255"),
        ("write analogue 0", "'write analogue 0' takes 1 byte of data, not 0"),
        ("write analogue 0 -1", "data byte -1 of 'write analogue 0' is outside 0 to 255"),
        ("write channel 1", "'write channel' takes 2 bytes of data, not 1"),
        ("write frequency 1", "'write frequency' takes 2 to 3 bytes of data, not 1"),
        ("write frequency 1 2 3 4", "'write frequency' takes 2 to 3 bytes of data, not 4"),
        ("write frequency high", "data of 'write frequency' is a whole number, not 'high'"),
        ("raw", "no bytes; write them as E0 31 68 FF"),
        ("raw E0 31 6", "'6' is not hex; write bytes as E0 31 68 FF"),
        ("E0 31 6", "'6' is not hex; write bytes as E0 31 68 FF"),
        ("raw 00 01 02 03 04 05 06 07 08",
         "a frame of 9 bytes; the bus carries 1 to 8, commands 3 to 6"),
    ],
)  # fmt: skip
def test_words_that_name_no_command(words, says):
    with pytest.raises(WordsError) as caught:
        parse_words(words.split())
    assert str(caught.value) == says
