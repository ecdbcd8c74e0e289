"""Loads, dispatch, reliability, sizes, years of service, cleaning."""
