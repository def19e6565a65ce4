"""Writes recordings of invented workouts in which every error is known.

The simulator is the independent truth of the project: it knows nothing of the code that measures.
"""
