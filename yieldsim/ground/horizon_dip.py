"""How far the bare horizon lies below the horizontal, seen from a height."""

from __future__ import annotations

import numpy as np


def flat_dip_deg(radius_km: float, mast_height_m: float) -> float:
    """Fall of the bare body's horizon below the horizontal: acos(R / (R + h)), degrees.

    By atan2 of the tangent's length, sqrt(h (2 R + h)) / R, which keeps its digits for small heights.

    >>> round(flat_dip_deg(1737.4, 10.0), 4)
    0.1944
    """
    height_km = mast_height_m / 1000.0
    return float(np.degrees(np.arctan2(np.sqrt(height_km * (2.0 * radius_km + height_km)), radius_km)))
