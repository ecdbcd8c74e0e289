"""SPICE kernels: positions and orientations."""
