"""A file of a person's read whole, or refused in a sentence."""

from __future__ import annotations

from pathlib import Path

from bridge.errors import BadInput, YardError


def read_bytes(path: Path) -> bytes:
    """The content of a file. Raises BadInput where it cannot be read."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise BadInput(f"{path}: no such file; check the name") from None
    except OSError as error:
        raise BadInput(f"{path}: cannot be read: {error.strerror}; check the file") from None


def read_text(path: Path) -> str:
    """The text of a data file, without a byte-order mark. Raises YardError."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise YardError(f"{path}: no such file; check the name") from None
    except UnicodeDecodeError as error:
        raise YardError(
            f"{path}: byte {error.start} is not UTF-8; save the file as UTF-8"
        ) from None
    except OSError as error:
        raise YardError(f"{path}: cannot be read: {error.strerror}; check the file") from None
