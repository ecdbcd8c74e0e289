"""The best facing for a goal."""
