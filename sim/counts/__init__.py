"""Counts along the arc from taught ones: curves, fits, mixtures, outliers, prediction."""
