"""Several units: candidates, selection, bounds, what a set does."""
