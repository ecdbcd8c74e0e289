"""A facing in words."""

from __future__ import annotations

from typing import Final

OVERHEAD_DEG: Final = 2.0
"""Tilts below this have no azimuth worth telling: a degree of tilt turns by half the sky without moving."""


def facing_words(tilt_deg: float, azimuth_deg: float) -> str:
    """Azimuth and tilt, or what needs no azimuth.

    >>> facing_words(88.13, 240.47), facing_words(0.4, 17.0)
    ('azimuth 240.5°, tilt 88.1°', 'about overhead (tilt 0.4°)')
    """
    if tilt_deg < OVERHEAD_DEG:
        return f"about overhead (tilt {tilt_deg:.1f}°)"
    return f"azimuth {azimuth_deg % 360.0:.1f}°, tilt {tilt_deg:.1f}°"
