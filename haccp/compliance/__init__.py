"""Which parts of the work are asked of a house, what published law spares a small one, and on whose word. Strict by default."""
