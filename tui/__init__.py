"""The person: command line, console, reports."""
