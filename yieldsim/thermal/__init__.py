"""Heat of a unit through day and night: insulation, the ground, a network of parts."""
