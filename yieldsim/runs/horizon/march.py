"""What lines of sight over terrain files tell of one place, whatever the Sun does there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.errors import DataMissing
from yieldsim.base.model import Site, Source
from yieldsim.files.terrain.remote import Address, terrain_source
from yieldsim.ground.local_sphere import LocalSphere
from yieldsim.ground.skyline import Skyline, sample_distances_m, skyline
from yieldsim.runs.horizon.reach_notes import filled_notes

if TYPE_CHECKING:
    from yieldsim.base.numerics.height_grid import HeightGrid
    from yieldsim.base.numerics.vectors import FloatArray
    from yieldsim.files.terrain.raster_model import Holds, Raster
    from yieldsim.files.terrain.remote import Terrain

LARGEST_REACH_KM = 1000.0
"""No ground shows from farther: two 20 km mountains on Mars lose sight of each other at 740 km."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """A place, the terrain around it and how it is looked at: all that a march follows from but what the files hold.

    mast_height_m   the eye above the ground
    reach_m         how far it looks
    """

    latitude_deg: float
    longitude_deg: float
    mast_height_m: float
    equatorial_radius_km: float
    polar_radius_km: float
    relief_m: tuple[float, float]
    terrain: tuple[Path | Address, ...]
    reach_m: float
    azimuth_step_deg: float
    holds: Holds

    @classmethod
    def of(
        cls,
        site: Site,
        terrain: Sequence[Terrain],
        reach_km: float | None,
        azimuth_step_deg: float,
        holds: Holds,
    ) -> View:
        """That of a site over terrain files, finest first."""
        return cls(
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
            mast_height_m=site.mast_height_m,
            equatorial_radius_km=site.body.equatorial_radius_km,
            polar_radius_km=site.body.polar_radius_km,
            relief_m=site.body.relief_m,
            terrain=tuple(one if isinstance(one, Address) else Path(one) for one in terrain),
            reach_m=1000.0 * min(LARGEST_REACH_KM, reach_km or LARGEST_REACH_KM),
            azimuth_step_deg=azimuth_step_deg,
            holds=holds,
        )

    @property
    def sphere(self) -> LocalSphere:
        """That fits the body at the place."""
        radii_m = 1000.0 * self.equatorial_radius_km, 1000.0 * self.polar_radius_km
        return LocalSphere.at(self.latitude_deg, self.longitude_deg, *radii_m)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class March:
    """What the lines of sight told.

    bare        the skyline with holes of unknown ground as nothing
    blocked     the same with holes as high as the body's highest ground; None: the files have none
    holed       names of the files that have some
    highest_m   highest ground of the files
    notes       what a reader should be told of the files
    files, sources   what it rests on, and how that is known
    """

    bare: Skyline
    blocked: Skyline | None
    holed: tuple[str, ...]
    highest_m: float
    notes: tuple[str, ...]
    files: tuple[Path | Address, ...]
    sources: tuple[Source, ...]


def march(view: View, rasters: Sequence[Raster]) -> March:
    """March along the lines of sight of a view. Raises InputError for damaged files, DataMissing where they don't cover the place."""
    # compiled code, which what was kept does without
    from yieldsim.ground.terrain import NestedTerrain
    from yieldsim.ground.unknown_ground import Raised

    covering = [raster for raster in rasters if raster.covers(view.latitude_deg, view.longitude_deg)]
    if not covering:
        place = f"latitude {view.latitude_deg:g}, longitude {view.longitude_deg % 360.0:g}"
        names = ", ".join(raster.name for raster in rasters)
        raise DataMissing(f"the site at {place} lies outside {names}; use a file that covers it")
    notes = [line for raster in rasters for line in raster.warnings]
    if rasters[0] not in covering:
        notes.append(f"the finest terrain file, {rasters[0].name}, does not cover the site")
    sphere, azimuth_deg = view.sphere, np.arange(0.0, 360.0 - 1e-9, view.azimuth_step_deg)
    grids = grids_of(rasters, sphere, view.reach_m)
    surface = NestedTerrain(grids)
    far_m = distances_m(grids, sphere, view.reach_m)
    bare = skyline(surface, sphere, azimuth_deg, far_m, view.mast_height_m)
    holed = sorted({grid.name for grid in grids if grid.holes is not None})
    blocked = None
    if holed:
        full = Raised(surface, grids, view.relief_m[1])
        blocked = skyline(full, sphere, azimuth_deg, far_m, view.mast_height_m)
    files = tuple(file for raster in rasters for file in raster.files)
    return March(
        bare=bare,
        blocked=blocked,
        holed=tuple(holed),
        highest_m=surface.highest_m,
        notes=(*notes, *filled_notes(grids)),
        files=files,
        sources=tuple(terrain_source(file) for file in files),
    )


def grids_of(rasters: Sequence[Raster], sphere: LocalSphere, reach_m: float) -> list[HeightGrid]:
    """The windows that a view from the point of the sphere needs, finest first."""
    from yieldsim.files.terrain.windows import views

    return views(rasters, lambda azimuth, far: sphere.along(azimuth, far / sphere.radius_m)[:2], reach_m)


def distances_m(grids: Sequence[HeightGrid], sphere: LocalSphere, reach_m: float) -> FloatArray:
    """Distances at which lines of sight are sampled: half a pixel of the finest grid that may lie that far out."""
    azimuth = np.linspace(0.0, 360.0, 72, endpoint=False)
    probe = np.geomspace(1.0, reach_m, 400)
    latitude, longitude, _ = sphere.along(azimuth[:, None], probe[None, :] / sphere.radius_m)
    bands = []
    for grid in grids:
        row, column = grid.to_pixel(latitude.ravel(), longitude.ravel())
        rows, columns = grid.heights_m.shape
        inside = (row >= 0) & (row <= rows - 1) & ((column >= 0) & (column <= columns - 1) | grid.wrapped)
        farthest = probe[np.flatnonzero(inside.reshape(latitude.shape).any(axis=0))]
        if farthest.size:
            # the probe is spaced by 3.5 %
            bands.append((min(float(farthest[-1]) * 1.04, reach_m), grid.pixel_m))
    return sample_distances_m(bands)
