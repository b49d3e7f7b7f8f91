"""The serial adapter, from packets up to the port."""
