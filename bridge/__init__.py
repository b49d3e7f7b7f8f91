"""The bus, and everything between it and the host."""
