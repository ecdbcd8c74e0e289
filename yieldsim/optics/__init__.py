"""Floor 1: what fraction of the light on the aperture reaches the fibre, by direction."""
