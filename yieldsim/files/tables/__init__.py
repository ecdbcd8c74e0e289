"""CSV tables."""
