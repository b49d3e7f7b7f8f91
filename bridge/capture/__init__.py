"""Files that hold bus traffic: one reader a kind, all giving the same traces."""
