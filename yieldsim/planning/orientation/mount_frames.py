"""Many facings at once: their axes, grids of them, and what a crooked mast makes of it."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from yieldsim.base.model import Mount
from yieldsim.base.numerics.vectors import FloatArray


class Facings(NamedTuple):
    """Tilt, azimuth and roll, degrees, (n,) each, as of `base.model.Mount`."""

    tilt_deg: FloatArray
    azimuth_deg: FloatArray
    roll_deg: FloatArray

    @property
    def count(self) -> int:  # type: ignore[override]
        """How many."""
        return len(self.tilt_deg)

    @property
    def axes_enu_xyz(self) -> FloatArray:
        """Axes (n, 3, 3) of each: `base.numerics.vectors.mount_axes_enu_xyz` for many at once."""
        tilt, azimuth, roll = (np.radians(column) for column in self)
        sin_t, cos_t, sin_a, cos_a = np.sin(tilt), np.cos(tilt), np.sin(azimuth), np.cos(azimuth)
        normal = np.stack([sin_t * sin_a, sin_t * cos_a, cos_t], axis=-1)
        upslope = np.stack([-cos_t * sin_a, -cos_t * cos_a, sin_t], axis=-1)
        level = np.cross(upslope, normal)
        sin_r, cos_r = np.sin(roll)[:, None], np.cos(roll)[:, None]
        return np.stack([cos_r * level + sin_r * upslope, cos_r * upslope - sin_r * level, normal], axis=1)

    def take(self, places: Any) -> Facings:
        """Some of them, by index or mask."""
        return Facings(*(column[places] for column in self))

    def mount(self, place: int, units: int = 1) -> Mount:
        """One of them as a mount, to a hundredth of a degree, azimuth and roll in [0, 360) and [-180,
        180)."""
        tilt, azimuth, roll = (round(float(column[place]), 2) + 0.0 for column in self)
        return Mount(
            tilt_deg=tilt,
            azimuth_deg=round(azimuth % 360.0, 2) % 360.0,
            roll_deg=round((roll + 180.0) % 360.0 - 180.0, 2) + 0.0,
            count=units,
        )


def facings(tilt_deg: object, azimuth_deg: object, roll_deg: object = 0.0) -> Facings:
    """Facings from numbers or arrays that broadcast against each other."""
    columns = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(c, dtype=float)) for c in (tilt_deg, azimuth_deg, roll_deg))
    )
    return Facings(*(np.array(column, dtype=np.float64).ravel() for column in columns))


def of_mounts(mounts: tuple[Mount, ...]) -> Facings:
    """The facings of mounts, counts left aside."""
    return facings(*([getattr(mount, name) for mount in mounts] for name in Facings._fields))


def together(*parts: Facings) -> Facings:
    """Several as one."""
    return Facings(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def facings_of_axes(axes: FloatArray) -> Facings:
    """The facings whose axes these are, (n, 3, 3); azimuth 0 for an aperture that looks straight up or
    down."""
    normal = axes[:, 2]
    tilt = np.degrees(np.arctan2(np.hypot(normal[:, 0], normal[:, 1]), normal[:, 2]))
    azimuth = np.degrees(np.arctan2(normal[:, 0], normal[:, 1])) % 360.0
    azimuth = np.where(np.hypot(normal[:, 0], normal[:, 1]) < 1e-12, 0.0, azimuth)
    level_frame = Facings(tilt, azimuth, np.zeros_like(tilt)).axes_enu_xyz
    across, up = (np.einsum("nj,nj->n", axes[:, 0], level_frame[:, k]) for k in (0, 1))
    return Facings(tilt, azimuth, np.asarray(np.degrees(np.arctan2(up, across)), dtype=np.float64))


def sky_grid(step_deg: float) -> tuple[FloatArray, FloatArray]:
    """Tilts 0..180 and azimuths 0..360 of a grid over the whole sky; the step is made to divide 180."""
    count = max(1, round(180.0 / step_deg))
    azimuth = np.asarray(np.arange(2 * count) * (180.0 / count), dtype=np.float64)
    return np.linspace(0.0, 180.0, count + 1), azimuth


def spread_over_sky(step_deg: float, roll_deg: FloatArray) -> Facings:
    """Facings about evenly spread over the sky, each at every roll: fewer azimuths near the zenith and the
    nadir."""
    rows = max(2, round(180.0 / step_deg) + 1)
    tilts = np.linspace(0.0, 180.0, rows)
    parts = []
    for tilt in tilts:
        count = max(1, round(360.0 * np.sin(np.radians(tilt)) / step_deg))
        parts.append(facings(tilt, np.arange(count) * 360.0 / count))
    flat = together(*parts)
    rolls = len(roll_deg)
    return Facings(
        np.repeat(flat.tilt_deg, rolls), np.repeat(flat.azimuth_deg, rolls), np.tile(roll_deg, flat.count)
    )


def carried(axes: FloatArray, normal: FloatArray) -> FloatArray:
    """Axes (..., 3, 3) turned by the least turn that takes each normal to another, (..., 3): nothing rolls about it.

        a' = a - (a . m) / (1 + n . m) (n + m)        for an axis a square to the old normal n, m the new one

    The turn is about n x m (Rodrigues' formula, worked out for a . n = 0). Undefined where m = -n.
    """
    old = axes[..., 2, :]
    share = (axes @ normal[..., None])[..., 0] / (1.0 + (old * normal).sum(axis=-1))[..., None]
    turned = axes - share[..., None] * (old + normal)[..., None, :]
    turned[..., 2, :] = normal
    return np.asarray(turned)


def leaned(some: Facings, off_deg: FloatArray, toward_deg: FloatArray) -> Facings:
    """Each facing with its whole mount leaned by off_deg (k,) towards toward_deg (k,): (n * k).

    toward 0 is up the slope of the aperture, 90 along its level axis, whatever the roll. The mount turns as a rigid
    body: the optics' axes go with the normal. The roll, which is counted from the slope, may then change by far more
    than the lean near the zenith.
    """
    axes = some.axes_enu_xyz[:, None]
    frame = some._replace(roll_deg=np.zeros_like(some.roll_deg)).axes_enu_xyz[:, None]
    off, toward = np.radians(off_deg)[:, None], np.radians(toward_deg)[:, None]
    way = np.cos(toward) * frame[:, :, 1] + np.sin(toward) * frame[:, :, 0]
    normal = np.cos(off) * frame[:, :, 2] + np.sin(off) * way
    return facings_of_axes(carried(axes, normal).reshape(-1, 3, 3))


def on_a_crooked_mast(
    some: Facings, lean_deg: FloatArray, toward_azimuth_deg: FloatArray, turn_deg: FloatArray
) -> Facings:
    """Each facing as it comes to look when the mast under it leans and is set at a wrong azimuth: (n * k).

    lean_deg, toward_azimuth_deg   (k,)  the mast's top is off plumb by this angle towards that azimuth
    turn_deg                       (k,)  the whole mast is turned clockwise by this angle first
    """
    lean, toward, turn = (np.radians(a) for a in (lean_deg, toward_azimuth_deg, turn_deg))
    sin_t, cos_t, zero, one = np.sin(turn), np.cos(turn), np.zeros_like(turn), np.ones_like(turn)
    clockwise = np.stack(
        [
            np.stack([cos_t, sin_t, zero], 1),
            np.stack([-sin_t, cos_t, zero], 1),
            np.stack([zero, zero, one], 1),
        ],
        1,
    )
    # the axis of the lean is level, to the left of the way it leans: a right-handed turn about it moves up that way
    axis = np.stack([-np.cos(toward), np.sin(toward), zero], axis=1)
    cross = np.zeros((len(lean), 3, 3))
    cross[:, 0, 2], cross[:, 1, 2], cross[:, 2, 0], cross[:, 2, 1] = (
        axis[:, 1],
        -axis[:, 0],
        -axis[:, 1],
        axis[:, 0],
    )
    leaning = (
        np.cos(lean)[:, None, None] * np.eye(3)
        + np.sin(lean)[:, None, None] * cross
        + (1.0 - np.cos(lean))[:, None, None] * axis[:, :, None] * axis[:, None, :]
    )
    whole = leaning @ clockwise
    axes = np.einsum("kij,naj->nkai", whole, some.axes_enu_xyz).reshape(-1, 3, 3)
    return facings_of_axes(axes)
