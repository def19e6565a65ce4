"""A home that is opened: its files, locks, log and rights."""
