"""Pages of facings."""
