"""Floor 2: mounts, dust, shield, fibre: the chain of losses, integrated to hours and years."""
