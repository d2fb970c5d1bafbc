"""The ordered moves for a machine set by hand: `moves`, `steps`, `dial`, `words`, and `plan` from code to answer."""
