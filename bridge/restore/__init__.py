"""A position list put back into a positioner: planned, carried out, resumed and proved."""
