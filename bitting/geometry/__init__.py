"""What machine, lint, report and decoding share: `frame`, `profile` (what a cutter leaves), `jaw` (what it reaches)."""
