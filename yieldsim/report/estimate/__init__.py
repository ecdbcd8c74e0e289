"""Pages of an estimate."""
