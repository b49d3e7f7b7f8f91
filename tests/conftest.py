"""What holds for every test: which profile of random search is loaded."""

from __future__ import annotations

from random_search import load_profiles

load_profiles()
