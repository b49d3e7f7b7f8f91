"""The parts of a `sim://` URL: which yard, with which faults, at what pace.

    sim://YARD?fault=NAME&seed=N&speed=X&state=PATH

`fault` may come several times or with commas. `speed` is simulated seconds a second. `state` is a
file that holds over a restart what a real positioner keeps without power.
"""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import parse_qsl, unquote, urlsplit

from bridge.errors import YardError
from sim.clock import check_speed

DEMO_YARD = "larkmere"  # the yard of a URL that names none
_OPTIONS = ("fault", "seed", "speed", "state")


@dataclass(frozen=True, slots=True)
class YardUrl:
    """A `sim://` URL, checked for everything but whether the yard and its faults exist."""

    yard: str = DEMO_YARD
    faults: tuple[str, ...] = ()
    seed: int = 0
    speed: float = 1.0
    state: str | None = None

    @classmethod
    def parse(cls, url: str) -> YardUrl:
        """From the text; YardError names an option or value that cannot be.

        >>> YardUrl.parse("sim://larkmere?fault=jam,wet-sensor&speed=4").faults
        ('jam', 'wet-sensor')
        """
        parts = urlsplit(url)
        if parts.scheme.lower() != "sim":
            raise YardError(f"{url} is no simulated yard; give sim:// or sim://YARD?fault=NAME")
        faults: list[str] = []
        options: dict[str, str] = {}
        for key, value in parse_qsl(parts.query, keep_blank_values=True):
            if key not in _OPTIONS:
                raise YardError(f"{url}: no option {key!r}; there are {', '.join(_OPTIONS)}")
            if not value:
                raise YardError(f"{url}: {key}= has no value; give one or leave {key} out")
            if key == "fault":
                faults += [name.strip() for name in value.split(",") if name.strip()]
            elif key in options:
                raise YardError(f"{url}: {key} comes twice; give it once")
            else:
                options[key] = value
        yard = unquote(parts.netloc + parts.path).rstrip("/")
        return cls(
            yard or DEMO_YARD,
            tuple(faults),
            _read_seed(url, options.get("seed", "0")),
            _read_speed(url, options.get("speed", "1")),
            options.get("state"),
        )


def _read_seed(url: str, text: str) -> int:
    if not text.isdecimal():
        raise YardError(f"{url}: seed={text} is no whole number from 0")
    return int(text)


def _read_speed(url: str, text: str) -> float:
    try:
        return check_speed(float(text))
    except YardError as error:
        raise YardError(f"{url}: {error}") from None
    except ValueError:
        raise YardError(f"{url}: speed={text} is no number") from None
