"""How long random search goes on: the same few examples at every run, or many new ones.

`pytest` takes the profile `quick`. `ARCSTEP_SEARCH=soak pytest ...` looks at `SOAK_TIMES` as many
examples, other ones at each run; do so by hand before a change to a reader, the link or the guard.
"""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

QUICK_EXAMPLES = 40
SOAK_TIMES = 50
PROFILE = os.environ.get("ARCSTEP_SEARCH", "quick")


def load_profiles() -> None:
    """Register both profiles and load the one that the environment names."""
    slow = [HealthCheck.too_slow]
    settings.register_profile(
        "quick",
        max_examples=QUICK_EXAMPLES,
        derandomize=True,
        deadline=None,
        database=None,
        suppress_health_check=slow,
    )
    settings.register_profile(
        "soak",
        max_examples=QUICK_EXAMPLES * SOAK_TIMES,
        deadline=None,
        suppress_health_check=slow,
    )
    settings.load_profile(PROFILE)


def examples(count: int) -> settings:
    """Settings for a test that wants another number of examples than the profile's own."""
    return settings(max_examples=count * (SOAK_TIMES if PROFILE == "soak" else 1))
