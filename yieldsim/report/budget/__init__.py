"""Pages of a budget."""
