"""The console: a Textual application, one widget a file."""
