"""Numbers in, numbers out; each function names its source."""
