"""The helm: one thread that owns the port, and the values it shows."""
