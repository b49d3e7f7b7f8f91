"""Stretches of tone on a line <-> bits and messages: pulse-width keying, with its faults."""
