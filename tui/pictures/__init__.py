"""Plots and drawings to files; the only room that imports matplotlib."""
