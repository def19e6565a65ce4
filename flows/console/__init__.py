"""What a person reads on the terminal."""
