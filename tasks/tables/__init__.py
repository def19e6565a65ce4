"""Every column and every table, declared once."""
