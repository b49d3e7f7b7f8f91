"""Tone near the noise: decided over whole slots and messages, not sample by sample."""
