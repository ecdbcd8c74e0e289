"""Places on maps: planetocentric latitude and longitude to map coordinates and back, and how maps close around a body."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray

if TYPE_CHECKING:
    from pyproj import CRS


def in_degrees(crs: CRS) -> bool:
    """Whether map coordinates are longitude and latitude themselves: planetographic or planetocentric ones."""
    return bool(crs.is_geographic) or (not crs.is_projected and "planetocentric" in _axis_names(crs))


def _axis_names(crs: CRS) -> str:
    return " ".join(axis.name.lower() for axis in crs.axis_info)


def map_unit(crs: CRS) -> str:
    """What the coordinates of a projected map are counted in, as CF spells units."""
    metres = float(crs.axis_info[0].unit_conversion_factor) if crs.axis_info else 1.0
    named = {1.0: "m", 1000.0: "km"}
    return named.get(metres, f"{metres:.15g} m")


def to_map(crs: CRS, latitude_deg: Any, longitude_deg: Any) -> tuple[FloatArray, FloatArray]:
    """Map coordinates of planetocentric places."""
    frame = _frame_of(crs.to_wkt())
    x, latitude = np.asarray(longitude_deg, dtype=np.float64), np.asarray(latitude_deg, dtype=np.float64)
    y = latitude if frame.is_centric else _turned(latitude, frame.equatorial_m, frame.polar_m)
    if frame.projection is not None:
        x, y = frame.projection.transform(x, y)
    return np.asarray(x) * frame.x_sign, np.asarray(y)


def from_map(crs: CRS, x: Any, y: Any) -> tuple[FloatArray, FloatArray]:
    """Planetocentric latitude and longitude of map coordinates."""
    frame = _frame_of(crs.to_wkt())
    longitude, latitude = np.asarray(x, dtype=np.float64) * frame.x_sign, np.asarray(y, dtype=np.float64)
    if frame.projection is not None:
        longitude, latitude = frame.projection.transform(longitude, latitude, direction="INVERSE")
    if not frame.is_centric:
        latitude = _turned(np.asarray(latitude), frame.polar_m, frame.equatorial_m)
    return np.asarray(latitude), np.asarray(longitude)


def _turned(latitude_deg: FloatArray, first_m: float, second_m: float) -> FloatArray:
    """Planetocentric latitude as planetographic, for the equatorial and the polar radius; back, for them exchanged."""
    if first_m == second_m:
        return latitude_deg
    latitude = np.radians(latitude_deg)
    return np.asarray(np.degrees(np.arctan2(first_m**2 * np.sin(latitude), second_m**2 * np.cos(latitude))))


@dataclass(frozen=True, slots=True)
class _Frame:
    """How a coordinate system counts.

    projection   longitude, latitude to x, y; None for a system of degrees
    is_centric   its degrees are planetocentric latitudes; projections always start from planetographic ones
    x_sign       -1 where x or the longitude grows westwards
    """

    projection: Any
    is_centric: bool
    x_sign: float
    equatorial_m: float
    polar_m: float


@cache
def _frame_of(wkt: str) -> _Frame:
    """Kept: making one takes milliseconds.

    Systems over planetocentric latitudes or west longitudes are taken apart here, for the library neither puts their axes in
    order nor converts between their latitudes. A file that has lost its axes may still say "Ocentric" in its system's name,
    as the codes of the International Astronomical Union do.
    """
    from pyproj import CRS, Transformer

    crs = CRS.from_wkt(wkt)
    ellipsoid = crs.ellipsoid
    assert ellipsoid is not None  # found when the file was opened
    directions = {axis.direction.lower() for axis in crs.axis_info}
    over_centric = crs.geodetic_crs is not None and "planetocentric" in _axis_names(crs.geodetic_crs)
    projection = None
    if not in_degrees(crs):
        plain = crs
        if over_centric or "west" in directions:
            with warnings.catch_warnings():
                # what the text loses are the axes, which are dealt with here
                warnings.simplefilter("ignore", UserWarning)
                plain = CRS.from_proj4(crs.to_proj4())
        projection = Transformer.from_crs(plain.geodetic_crs, plain, always_xy=True)
    return _Frame(
        projection=projection,
        is_centric=in_degrees(crs) and (over_centric or "ocentric" in crs.name.lower()),
        x_sign=-1.0 if "west" in directions else 1.0,
        equatorial_m=float(ellipsoid.semi_major_metre),
        polar_m=float(ellipsoid.semi_minor_metre),
    )


def try_projection(crs: CRS) -> None:
    """Raise the library's ProjError for a system with an ellipsoid whose projection can't be computed."""
    _frame_of(crs.to_wkt())


def period_columns(crs: CRS, transform: Any) -> float | None:
    """Columns to a turn of longitude, for maps whose x is the longitude times a constant; None for others."""
    if transform.b != 0.0 or transform.d != 0.0:
        return None
    if in_degrees(crs):
        return abs(360.0 / float(transform.a))
    operation = crs.coordinate_operation
    if operation is None or not any(word in operation.method_name for word in ("quidistant Cyl", "quirect")):
        return None
    # a quarter turn, measured: whatever the standard parallel and the system's unit
    centre = float(next((p.value for p in operation.params if "ongitude" in p.name), 0.0))
    x, _ = to_map(crs, np.zeros(2), np.array([centre, centre + 90.0]))
    return abs(4.0 * float(x[1] - x[0]) / float(transform.a))
