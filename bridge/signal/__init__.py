"""The line itself: samples or edges of it to what is heard on it, and frames back to a waveform."""
