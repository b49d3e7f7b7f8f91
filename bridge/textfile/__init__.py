"""Data files that people edit: TOML with every mistake at its line; saved whole or not at all."""
