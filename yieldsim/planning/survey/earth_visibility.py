"""Share of the time that the Earth is above cells' horizons: when a base can speak with it without a relay."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import SECONDS_PER_HOUR
from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.base.numerics.vectors import azimuth_elevation_deg
from yieldsim.planning.survey.horizon_tables import SunPath
from yieldsim.sky.sun_track import SunTrack, middles_s

EARTH = "earth"
POINT_DEG = 1e-3
"""Radius of a disc that is as good as a point: less than the angles' unit."""


def earth_path(track: SunTrack, start_tdb_s: float, end_tdb_s: float, step_s: float) -> SunPath:
    """The Earth's centre instead, as a point that is always bright; the track's body has it among its occulters."""
    tdb_s = middles_s(start_tdb_s, end_tdb_s, step_s)
    pieces = next(pieces for occulter, pieces in track.occulters if occulter.name.lower() == EARTH)
    azimuth, elevation = azimuth_elevation_deg(pieces.at(tdb_s).T)
    return SunPath(
        tdb_s=tdb_s,
        step_hours=(end_tdb_s - start_tdb_s) / tdb_s.size / SECONDS_PER_HOUR,
        azimuth_deg=azimuth,
        elevation_deg=elevation,
        radius_deg=np.full(tdb_s.size, POINT_DEG),
        clear=np.ones(tdb_s.size),
        beam_w_m2=np.zeros(tdb_s.size),
        above_air_w_m2=np.zeros(tdb_s.size),
    )


def earth_in_sight_fraction(
    path: SunPath, horizon: NDArray[np.int16], known: NDArray[np.bool_], azimuths: int
) -> Float32Array:
    """Share of the time (rows, columns) that the Earth's centre is above the cells' horizons.

    path      of the Earth (`earth_path`)
    horizon   (azimuths, rows, columns)  in units of the line sweep
    known     (rows, columns)  cells whose ground is

    Neglects the Earth's parallax within a tile: 0.008 deg from the middle to the edge of 1024 cells of 100 m.
    """
    from yieldsim.ground.line_sweep import ANGLE_UNIT_DEG
    from yieldsim.planning.survey.horizon_tables import light_tables
    from yieldsim.planning.survey.illumination import cell_light
    from yieldsim.planning.survey.longest_dark import passage

    flat = np.ascontiguousarray(horizon.reshape(len(horizon), -1))
    seen = flat[:, known.ravel()]
    lowest, highest = seen.min(axis=1).astype(np.int64), seen.max(axis=1).astype(np.int64)
    tables = light_tables(path, azimuths, ANGLE_UNIT_DEG, int(lowest.min()), int(highest.max()))
    found = cell_light(flat, tables, passage(path, azimuths, ANGLE_UNIT_DEG, lowest, highest))
    return np.asarray(found.any_hours / path.hours, dtype=np.float32).reshape(known.shape)
