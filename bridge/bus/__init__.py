"""The open DiSEqC standard, with no I/O and no clock."""
