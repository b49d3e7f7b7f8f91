"""Hex text: frames as people write them down."""
