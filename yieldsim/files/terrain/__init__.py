"""Rasters of heights."""
