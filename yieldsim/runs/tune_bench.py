"""Where tuned designs are tried: each is traced and its annual energy read off the site's weighted sky."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import YieldsimError
from yieldsim.base.nouns import Acceptance, Mount

if TYPE_CHECKING:
    from yieldsim.base.vectors import FloatArray
    from yieldsim.files.prescription_edit import KeyPath
    from yieldsim.planning.weighted_sky import WeightedSky

TOLERANCE = 0.01
"""Of the traced acceptances; all designs share their random shifts, so they compare far better than that."""
FACING_STEP = 0.6
"""Of the acceptance's half-width: spacing of the facings tried first."""
RIVALS = 6
"""Places of that grid that are looked at more closely."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """One value to vary."""

    path: KeyPath
    low: float
    high: float

    @property
    def name(self) -> str:
        """Its name, table and key."""
        return ".".join(self.path)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One design: its values and what it delivers; energy 0 and a reason where it can't exist."""

    values: tuple[float, ...]
    annual_kwh: float = 0.0
    kwh_per_m2: float = 0.0
    tilt_deg: float = math.nan
    azimuth_deg: float = math.nan
    normal_acceptance: float = 0.0
    half_width_deg: float = 0.0
    concentration: float = 0.0
    etendue_used_fraction: float = 0.0
    reason: str = ""


@dataclass(slots=True, eq=False, kw_only=True)
class Bench:
    """Where designs are tried: the site's sky and the facing rule; remembers what was tried."""

    data: dict[str, Any]
    path: Path
    ranges: tuple[Range, ...]
    sky: WeightedSky
    mounts: tuple[Mount, ...]
    tried: dict[tuple[float, ...], Trial] = field(default_factory=dict)

    def trial(self, values: Sequence[float]) -> Trial:
        """Trace a design and read its energy off the sky."""
        from yieldsim.files.prescription_edit import is_count

        key = tuple(
            float(round(value)) if is_count(one.path) else float(value)
            for value, one in zip(values, self.ranges, strict=True)
        )
        if key not in self.tried:
            try:
                self.tried[key] = self._energy(key)
            except YieldsimError as error:
                self.tried[key] = Trial(values=key, reason=str(error).splitlines()[0])
        return self.tried[key]

    def _energy(self, values: tuple[float, ...]) -> Trial:
        from yieldsim.files.prescription import prescription_from
        from yieldsim.files.prescription_edit import with_value
        from yieldsim.optics.acceptance import half_width_deg
        from yieldsim.optics.curve import table_of
        from yieldsim.optics.etendue import projected_acceptance_sr
        from yieldsim.optics.etendue_ledger import fibre_limit_m2_sr
        from yieldsim.optics.scene import build_scene
        from yieldsim.runs.trace import acceptance_of

        data = self.data
        for one, value in zip(self.ranges, values, strict=True):
            data = with_value(data, one.path, value)
        prescription = prescription_from(data, self.path)
        table, _ = acceptance_of(
            prescription, TOLERANCE, lambda: build_scene(prescription), table_of, None, self.path
        )
        area = prescription.aperture_area_m2
        kwh, tilt, azimuth = self._facing(table)
        import numpy as np

        return Trial(
            values=values,
            annual_kwh=kwh * area,
            kwh_per_m2=kwh,
            tilt_deg=tilt,
            azimuth_deg=azimuth,
            normal_acceptance=float(np.ravel(table.acceptance_fraction)[0]),
            half_width_deg=half_width_deg(table),
            concentration=area / prescription.fibre.area_m2,
            etendue_used_fraction=area * projected_acceptance_sr(table) / fibre_limit_m2_sr(prescription),
        )

    def _facing(self, table: Acceptance) -> tuple[float, float, float]:
        """Annual kWh per square metre of aperture, mean over the units, and the facing of the best (or
        first) mount."""
        import numpy as np

        from yieldsim.base.vectors import mount_axes_enu_xyz
        from yieldsim.planning.sweep import Sweep

        sweep = Sweep.of(self.sky, table)
        if self.mounts:
            axes = np.stack([mount_axes_enu_xyz(m.tilt_deg, m.azimuth_deg, m.roll_deg) for m in self.mounts])
            each = sweep.kwh(axes, np.array([m.tilt_deg for m in self.mounts])) / self.sky.years
            units = np.array([m.count for m in self.mounts])
            first = self.mounts[int(np.argmax(each))]
            return float((each * units).sum() / units.sum()), first.tilt_deg, first.azimuth_deg
        return best_facing(sweep, table, self.sky.years)


def best_facing(sweep: Any, table: Acceptance, years: float) -> tuple[float, float, float]:
    """Annual kWh, tilt and azimuth of the facing with most energy.

    An even grid of the sky, finer than the acceptance; its best places apart from one another are each
    refined twice, to a seventh of the half-width, where energy is flat.
    """
    import numpy as np

    from yieldsim.base.vectors import angle_between_deg, direction_enu_xyz
    from yieldsim.optics.acceptance import half_width_deg

    step = FACING_STEP * min(max(half_width_deg(table), 1.0), 5.0)
    tilt, azimuth = _sky_grid(step)
    kwh = sweep.kwh(_axes(tilt, azimuth), tilt)
    normal = direction_enu_xyz(azimuth, 90.0 - tilt)
    open_still = np.ones(len(tilt), bool)
    found = []
    for _ in range(RIVALS):
        best = int(np.argmax(np.where(open_still, kwh, -1.0)))
        found.append(_refined(sweep, (float(kwh[best]), float(tilt[best]), float(azimuth[best])), step))
        open_still &= angle_between_deg(normal, normal[best]) > 4.0 * step
        if not open_still.any():
            break
    top = max(found)
    return top[0] / years, top[1], top[2]


def _refined(sweep: Any, start: tuple[float, float, float], step: float) -> tuple[float, float, float]:
    """Energy, tilt and azimuth improved on two finer grids around a place."""
    import numpy as np

    best = start
    for _ in range(2):
        step /= 2.0
        offset = step * np.arange(-1.0, 2.0)
        t, across = (grid.ravel() for grid in np.meshgrid(offset, offset, indexing="ij"))
        tilt = np.abs(best[1] + t)
        azimuth = (best[2] + across / max(math.sin(math.radians(best[1])), 0.02)) % 360.0
        kwh = sweep.kwh(_axes(tilt, azimuth), tilt)
        top = int(np.argmax(kwh))
        best = max(best, (float(kwh[top]), float(tilt[top]), float(azimuth[top])))
    return best


def _sky_grid(step_deg: float) -> tuple[FloatArray, FloatArray]:
    """Tilts and azimuths about `step_deg` apart, from straight up to 30 degrees below level."""
    import numpy as np

    tilts, azimuths = [], []
    for tilt in np.arange(0.0, 120.0 + step_deg, step_deg):
        count = max(1, math.ceil(360.0 * math.sin(math.radians(tilt)) / step_deg))
        azimuths.append(np.arange(count) * 360.0 / count)
        tilts.append(np.full(count, tilt))
    return np.concatenate(tilts), np.concatenate(azimuths)


def _axes(tilt_deg: FloatArray, azimuth_deg: FloatArray) -> FloatArray:
    """Axes (n, 3, 3) of mounts without roll, as `base.vectors.mount_axes_enu_xyz` gives one."""
    import numpy as np

    tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
    st, ct, sa, ca = np.sin(tilt), np.cos(tilt), np.sin(azimuth), np.cos(azimuth)
    level = np.stack([-ca, sa, np.zeros_like(sa)], axis=-1)
    return np.stack(
        [level, np.stack([-ct * sa, -ct * ca, st], axis=-1), np.stack([st * sa, st * ca, ct], axis=-1)],
        axis=1,
    )


def trial_row(trial: Trial, ranges: Sequence[Range]) -> dict[str, Any]:
    """A trial by names, without what it does not have."""
    row: dict[str, Any] = {one.name: value for one, value in zip(ranges, trial.values, strict=True)}
    for name in Trial.__dataclass_fields__:
        value = getattr(trial, name)
        if name != "values" and not (isinstance(value, float) and not math.isfinite(value)):
            row[name] = value
    return row
