"""The dish that is not there."""
