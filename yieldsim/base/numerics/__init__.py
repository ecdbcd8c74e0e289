"""Vectors, interpolation, grids and compiled loops, of no trade in particular."""
