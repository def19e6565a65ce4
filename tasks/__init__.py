"""The work itself: from an export file to a stored number."""
