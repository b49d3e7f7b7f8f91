"""What arithmetic can do for a station: survey, predicted counts, lost counts, checks."""
