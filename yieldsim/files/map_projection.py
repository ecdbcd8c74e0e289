"""Places on maps: planetocentric latitude and longitude to map coordinates and back, and how maps close around a body."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.vectors import FloatArray

if TYPE_CHECKING:
    from pyproj import CRS


def to_map(crs: CRS, latitude_deg: Any, longitude_deg: Any) -> tuple[FloatArray, FloatArray]:
    """Map coordinates of planetocentric places."""
    a, c = _axes_m(crs)
    latitude = np.asarray(latitude_deg, dtype=np.float64)
    if a != c:
        latitude = np.degrees(
            np.arctan2(a * a * np.sin(np.radians(latitude)), c * c * np.cos(np.radians(latitude)))
        )
    x, y = _transformer(crs).transform(np.asarray(longitude_deg, dtype=np.float64), latitude)
    return np.asarray(x), np.asarray(y)


def from_map(crs: CRS, x: Any, y: Any) -> tuple[FloatArray, FloatArray]:
    """Planetocentric latitude and longitude of map coordinates."""
    a, c = _axes_m(crs)
    longitude, latitude = _transformer(crs).transform(
        np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64), direction="INVERSE"
    )
    if a != c:
        latitude = np.degrees(
            np.arctan2(c * c * np.sin(np.radians(latitude)), a * a * np.cos(np.radians(latitude)))
        )
    return np.asarray(latitude), np.asarray(longitude)


def _axes_m(crs: CRS) -> tuple[float, float]:
    """Equatorial and polar radius of a system that was found to have an ellipsoid when its file was opened."""
    ellipsoid = crs.ellipsoid
    assert ellipsoid is not None
    return float(ellipsoid.semi_major_metre), float(ellipsoid.semi_minor_metre)


def _transformer(crs: CRS) -> Any:
    return _transformer_of(crs.to_wkt())


@cache
def _transformer_of(wkt: str) -> Any:
    """From longitude, latitude to x, y; always in that order. Kept: making one takes milliseconds."""
    from pyproj import CRS, Transformer

    crs = CRS.from_wkt(wkt)
    return Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)


def period_columns(crs: CRS, transform: Any) -> float | None:
    """Columns to a turn of longitude, for maps whose x is the longitude times a constant; None for others."""
    if transform.b != 0.0 or transform.d != 0.0:
        return None
    if crs.is_geographic:
        return abs(360.0 / float(transform.a))
    operation = crs.coordinate_operation
    if operation is None or not any(word in operation.method_name for word in ("quidistant Cyl", "quirect")):
        return None
    # a quarter turn, measured: whatever the standard parallel and the system's unit
    centre = float(next((p.value for p in operation.params if "ongitude" in p.name), 0.0))
    x, _ = to_map(crs, np.zeros(2), np.array([centre, centre + 90.0]))
    return abs(4.0 * float(x[1] - x[0]) / float(transform.a))
