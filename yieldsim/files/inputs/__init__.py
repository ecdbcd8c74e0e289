"""Readers and writers of sites, collectors, bodies, loads and uncertainties."""
