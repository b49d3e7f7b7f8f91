"""One file a command: pure call, result, print."""
