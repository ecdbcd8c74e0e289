"""Floor 1: where the Sun is, how far, how much of it is eclipsed, what the air lets through."""
