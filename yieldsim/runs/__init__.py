"""Floor 4: the only place where files meet physics; one module per command."""
