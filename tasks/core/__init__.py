"""What every stage speaks: errors, units, the Recording record and the registers."""
