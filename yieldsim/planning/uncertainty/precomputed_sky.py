"""The sky of a run, worked out once for every skyline that may be drawn.

The sky keeps each fine step that sees light under any of a row of raised or lowered skylines: the Sun's
direction, the light on an aperture that faces it, the share of the disc that each skyline leaves, the air.
`drawn_light` reads it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.model import HorizonMask
from yieldsim.base.numerics.vectors import FloatArray, direction_enu_xyz
from yieldsim.energy.integration import BLOCK_STEPS, Setting, TimeGrid, first_steps
from yieldsim.ground.visible_disc import add_visibility, clearance_deg
from yieldsim.planning.sunlight.histogram import radius_class
from yieldsim.sky.atmosphere import add_air
from yieldsim.sky.eclipse import add_occulter

SKYLINE_STEP_DEG = 0.05
"""Spacing of the skylines kept, against a disc some 0.5 degrees wide; wider where more than MOST_SKYLINES would be."""
MOST_SKYLINES = 25
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DrawnSky:
    """Fine steps with light under any skyline, for one unit.

    row             (n,)  row of the estimate that each step falls in
    step            (n,)  its number among all steps of the run
    sun_enu_xyz     (n, 3)
    plain_w         (n,)  W on an aperture facing the whole Sun above the air
    visible         (n, skylines)  share of the disc left by each skyline
    raised_deg      (skylines,)  degrees added to each
    clearance_deg   (n,)  degrees that the site's own may rise before it hides the whole disc
    air             (n,)  transmittance; empty where there is no air
    air_mass, solar_longitude_deg   (n,)  what another optical depth needs to give it; empty where there is no air
    radius_class    (n,)  and the classes' mean radii, degrees
    """

    row: NDArray[np.int64]
    step: NDArray[np.int64]
    sun_enu_xyz: FloatArray
    plain_w: FloatArray
    visible: FloatArray
    raised_deg: FloatArray
    clearance_deg: FloatArray
    air: FloatArray
    air_mass: FloatArray
    solar_longitude_deg: FloatArray
    radius_class: NDArray[np.int64]
    class_radius_deg: FloatArray
    rows: int
    steps_per_row: int


def drawn_sky(
    setting: Setting, grid: TimeGrid, raised_deg: tuple[float, float], progress: Progress | None = None
) -> DrawnSky:
    """Work out the sky once, for skylines raised by anything between two numbers of degrees.

    Steps are as fine as those of an estimate's second pass.
    """
    steps = 2 * first_steps(setting.site, setting.collector, grid.interval_s)
    low, high = raised_deg
    # even steps of which none is one: an unchanged skyline is read as it stands
    step = max(SKYLINE_STEP_DEG, (high - low) / MOST_SKYLINES)
    raised = step * np.arange(np.floor(low / step), np.ceil(high / step) + 1.0)
    parts: list[tuple[np.ndarray, ...]] = []
    per_block = max(1, BLOCK_STEPS // (steps * 4))
    for first in range(0, grid.count, per_block):
        last = min(first + per_block, grid.count)
        parts.append(_block(setting, grid, first, last, steps, raised))
        if progress is not None:
            progress(last, grid.count)
    step_number, sun, plain, visible, clearance, air, mass, season, radius_deg = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    numbers, of = np.unique(radius_class(radius_deg), return_inverse=True)
    return DrawnSky(
        row=step_number // steps,
        step=step_number,
        sun_enu_xyz=sun,
        plain_w=plain,
        visible=visible,
        raised_deg=raised,
        clearance_deg=clearance,
        air=air,
        air_mass=mass,
        solar_longitude_deg=season,
        radius_class=of,
        class_radius_deg=np.bincount(of, radius_deg) / np.bincount(of) if len(numbers) else np.array([0.25]),
        rows=grid.count,
        steps_per_row=steps,
    )


def _block(
    setting: Setting, grid: TimeGrid, first: int, last: int, steps: int, raised_deg: FloatArray
) -> tuple[np.ndarray, ...]:
    """The kept steps of some rows."""
    site = setting.site
    utc, tdb_s = grid.fine(first, last, steps)
    ds = setting.track.dataset(tdb_s, utc)
    if site.body.occulters:
        ds = add_occulter(ds, setting.track, tdb_s)
    visible = np.stack(
        [
            add_visibility(ds, _raised(setting, float(by)), setting.dip_deg)["disc_visible_fraction"].values
            for by in raised_deg
        ],
        axis=1,
    )
    kept = np.flatnonzero(visible.max(axis=1) > 0.0)
    air = mass = season = np.empty(0)
    if site.optical_depth is not None:
        dimmed = add_air(ds, site, tdb_s)
        air, mass, season = (
            dimmed[name].values[kept] for name in ("beam_transmittance", "air_mass", "solar_longitude_deg")
        )
    azimuth, elevation, radius = (
        ds[name].values[kept]
        for name in ("solar_azimuth_deg", "solar_elevation_deg", "sun_angular_radius_deg")
    )
    sun = direction_enu_xyz(azimuth, elevation)
    return (
        first * steps + kept,
        sun,
        SOLAR_IRRADIANCE_1AU_W_M2
        / ds["sun_distance_au"].values[kept] ** 2
        * setting.collector.aperture_area_m2,
        visible[kept],
        clearance_deg(azimuth, elevation, radius, setting.mask, setting.dip_deg),
        air,
        mass,
        season,
        radius,
    )


def _raised(setting: Setting, by_deg: float) -> HorizonMask | None:
    """The skyline raised by some degrees; a bare horizon becomes a mask only when it is raised."""
    if setting.mask is None:
        if by_deg == 0.0:
            return None
        return HorizonMask(azimuth_deg=np.zeros(1), elevation_deg=np.full(1, by_deg - setting.dip_deg))
    return HorizonMask(
        azimuth_deg=setting.mask.azimuth_deg, elevation_deg=setting.mask.elevation_deg + by_deg
    )
