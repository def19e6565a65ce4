"""What was dropped and what was made of it: originals, ledger, lake."""
