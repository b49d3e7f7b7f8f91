"""The machine on the mount: motor, reed, ends, linkage, positioner."""
