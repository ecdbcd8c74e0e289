"""Energy by direction faced, over the whole sky."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.orientation.mount_frames import Facings, carried, sky_grid
from yieldsim.planning.orientation.objectives import Prospect


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FacingMap:
    """Annual energy of one unit over the whole sky of facings.

    tilt_deg (tilts,), azimuth_deg (azimuths,); annual_kwh, roll_deg (tilts, azimuths)
    roll_deg    the roll that is best there, of those tried; 0 for round optics
    month_kwh   (months, tilts, azimuths)  None unless asked for
    """

    tilt_deg: FloatArray
    azimuth_deg: FloatArray
    annual_kwh: FloatArray
    month_kwh: FloatArray | None
    roll_deg: FloatArray

    @property
    def facings(self) -> Facings:
        """All facings of the map, row by row."""
        tilt, azimuth = np.meshgrid(self.tilt_deg, self.azimuth_deg, indexing="ij")
        return Facings(tilt.ravel(), azimuth.ravel(), self.roll_deg.ravel())


def facing_map(prospect: Prospect, step_deg: float, *, by_month: bool = False) -> FacingMap:
    """Energy by direction faced, over the whole sky; by month too if asked for, at several times the cost."""
    tilts, azimuths = sky_grid(step_deg)
    tilt, azimuth = (a.ravel() for a in np.meshgrid(tilts, azimuths, indexing="ij"))
    grid = at_best_rolls(prospect, Facings(tilt, azimuth, np.zeros_like(tilt)))
    shape = (len(tilts), len(azimuths))
    return FacingMap(
        tilt_deg=tilts,
        azimuth_deg=azimuths,
        annual_kwh=prospect.annual_kwh(grid, scout=True).reshape(shape),
        month_kwh=prospect.month_kwh(grid).T.reshape(-1, *shape) if by_month else None,
        roll_deg=grid.roll_deg.reshape(shape),
    )


def at_best_rolls(prospect: Prospect, some: Facings) -> Facings:
    """The same facings, each at the roll that is best at the nearest facing of a coarse grid; round optics: as they are."""
    if prospect.coarse is None:
        return some
    from scipy.spatial import cKDTree

    rolled, flat = prospect.coarse.rolled, some._replace(roll_deg=0.0 * some.roll_deg)
    coarse, level = rolled.axes_enu_xyz, flat.axes_enu_xyz
    nearest = cKDTree(coarse[:, 2]).query(level[:, 2])[1]
    # carried over as the optics stand, not as a number: near the zenith neighbours count their rolls from other slopes
    across = carried(coarse[nearest], level[:, 2])[:, 0]
    along, up = (np.einsum("nj,nj->n", across, level[:, k]) for k in (0, 1))
    return some._replace(roll_deg=np.degrees(np.arctan2(up, along)))
