"""A capture of any kind -> events: which channel is the bus, what is heard on it."""
