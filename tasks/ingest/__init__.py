"""From one dropped export to rows in the lake and an entry in the ledger."""
