"""A finished key against its tolerance: `uncertainty`, `estimate`, `decision`, `pattern`, and `inspection`."""
