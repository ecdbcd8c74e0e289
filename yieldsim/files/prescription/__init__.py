"""Lens prescriptions and materials."""
