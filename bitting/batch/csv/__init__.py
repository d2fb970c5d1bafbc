"""CSV and its relatives, byte for byte: `dialect`, `records`, `rewrite`."""
