"""Every error that arcstep raises on purpose.

    ArcstepError                     exit code
    |-- BadInput (ValueError)            2   what was given cannot be used
    |   |-- FrameError                       no such frame can be on the bus
    |   |-- WordsError                       words that name no command
    |   |-- CaptureError                     a file that holds no capture we can read
    |   `-- YardError                        a yard or station that cannot exist
    |-- Refused                          1   the guard would not let it move
    |   `-- NotConfirmed                     it is sent only when it is confirmed
    `-- LinkError (OSError)              3   the device or the way to it failed
        |-- PortUnavailable                  missing, busy, forbidden or unknown
        |-- LinkLost                         it was there and went away
        |-- AdapterRefused                   the adapter said no, and why
        `-- OutcomeUnknown                   no answer: it may or may not have acted

A message says what, the value, the allowed range with its unit, where, and the next step, in
one sentence, and fits to be shown to a person as it is.
"""

from __future__ import annotations


class ArcstepError(Exception):
    """Root of all errors raised on purpose; `exit_code` is what the command line leaves with."""

    exit_code = 2


class BadInput(ArcstepError, ValueError):
    """What was given cannot be used; nothing was sent or written."""


class FrameError(BadInput):
    """Bytes or fields that make no frame of the bus."""


class WordsError(BadInput):
    """Words that name no command."""


class CaptureError(BadInput):
    """A capture that cannot be read."""


class YardError(BadInput):
    """A yard or station that cannot exist."""


class Refused(ArcstepError):
    """The guard would not let it move; nothing was sent."""

    exit_code = 1


class NotConfirmed(Refused):
    """A command with far-reaching effects that was not confirmed; nothing was sent."""


class LinkError(ArcstepError, OSError):
    """The device, or the way to it, failed."""

    exit_code = 3


class PortUnavailable(LinkError):
    """A port that is missing, busy, forbidden or of no known kind."""


class LinkLost(LinkError):
    """A port that was open and went away."""


class AdapterRefused(LinkError):
    """The adapter answered no; the message says why."""


class OutcomeUnknown(LinkError):
    """Retries ran out without an answer: it may or may not have acted."""
