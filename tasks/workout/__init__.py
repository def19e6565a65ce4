"""What metrics see of a workout: its recordings, references, signals, tracks and places."""
