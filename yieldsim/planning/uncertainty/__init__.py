"""Draws of uncertain inputs and their ranking."""
