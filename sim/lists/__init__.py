"""A position list under arithmetic: survey, check, comparison, shifted counts."""
