"""Workouts with known truth, run through the whole line from bytes: what goes in must come out."""
