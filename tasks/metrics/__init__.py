"""One file per domain; every metric is registered by its decorator."""
