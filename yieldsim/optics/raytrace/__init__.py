"""Rays through lens and funnel."""
