"""Floor 1: what the terrain hides of the Sun's disc."""
