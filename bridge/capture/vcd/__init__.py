"""VCD files (IEEE 1364, value change dump)."""
