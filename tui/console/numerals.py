"""Large numerals three rows high, made of box lines."""

from __future__ import annotations

_SHAPES = {
    "0": ("┏━┓", "┃ ┃", "┗━┛"),
    "1": (" ╻ ", " ┃ ", " ╹ "),
    "2": ("╺━┓", "┏━┛", "┗━╸"),
    "3": ("╺━┓", " ━┫", "╺━┛"),
    "4": ("╻ ╻", "┗━┫", "  ╹"),
    "5": ("┏━╸", "┗━┓", "╺━┛"),
    "6": ("┏━╸", "┣━┓", "┗━┛"),
    "7": ("╺━┓", "  ┃", "  ╹"),
    "8": ("┏━┓", "┣━┫", "┗━┛"),
    "9": ("┏━┓", "┗━┫", "╺━┛"),
    "-": ("   ", "╺━╸", "   "),
}
_NONE = ("   ", " · ", "   ")


def large(text: str) -> tuple[str, str, str]:
    """Set digits in large numerals; anything else becomes a dot.

    >>> print("\\n".join(large("42")))
    ╻ ╻ ╺━┓
    ┗━┫ ┏━┛
      ╹ ┗━╸
    """
    shapes = [_SHAPES.get(letter, _NONE) for letter in text]
    top, middle, bottom = (" ".join(shape[row] for shape in shapes) for row in range(3))
    return top, middle, bottom
