"""What a measured setup key says about the machine: `fit`, `alignment`, `corrections`, `history`."""
