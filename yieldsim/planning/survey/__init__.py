"""Light and energy of many cells of terrain."""
