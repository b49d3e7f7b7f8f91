"""What was done and seen, as typed records; as a file; and the actions that a log shows."""
