"""The page of a trace."""
