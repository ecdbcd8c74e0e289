"""Where tuned designs are tried: each is traced and its annual energy read off the site's weighted sky."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import YieldsimError
from yieldsim.base.model import Acceptance, Mount, RoundAcceptance

if TYPE_CHECKING:
    from yieldsim.base.numerics.vectors import FloatArray
    from yieldsim.files.prescription.edit import KeyPath
    from yieldsim.planning.orientation.mount_frames import Facings
    from yieldsim.planning.sunlight.cumulative_sky import WeightedSky

TOLERANCE = 0.01
"""Of the traced acceptances; all designs share the random shifts of each lattice, so they compare far better than
that."""
FACING_STEP = 0.6
"""Of the acceptance's half-width: spacing of the facings tried first."""
RIVALS = 4
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
    roll_deg: float = 0.0
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
        from yieldsim.files.prescription.edit import is_count

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
        from yieldsim.files.prescription.edit import with_value
        from yieldsim.files.prescription.read import prescription_from
        from yieldsim.optics.acceptance import half_width_deg
        from yieldsim.optics.etendue import projected_acceptance_sr
        from yieldsim.optics.etendue_ledger import fibre_limit_m2_sr
        from yieldsim.optics.raytrace.acceptance_trace import table_of
        from yieldsim.optics.raytrace.scene import build_scene
        from yieldsim.runs.trace.run import acceptance_of

        data = self.data
        for one, value in zip(self.ranges, values, strict=True):
            data = with_value(data, one.path, value)
        prescription = prescription_from(data, self.path)
        table, _ = acceptance_of(
            prescription, TOLERANCE, lambda: build_scene(prescription), table_of, None, self.path
        )
        area = prescription.aperture_area_m2
        kwh, facing = self._facing(table)
        import numpy as np

        return Trial(
            values=values,
            annual_kwh=kwh * area,
            kwh_per_m2=kwh,
            tilt_deg=float(facing.tilt_deg[0]),
            azimuth_deg=float(facing.azimuth_deg[0] % 360.0),
            roll_deg=float(facing.roll_deg[0]),
            normal_acceptance=float(np.ravel(table.acceptance_fraction)[0]),
            half_width_deg=half_width_deg(table),
            concentration=area / prescription.fibre.area_m2,
            etendue_used_fraction=area * projected_acceptance_sr(table) / fibre_limit_m2_sr(prescription),
        )

    def _facing(self, table: Acceptance) -> tuple[float, Facings]:
        """Annual kWh per square metre of aperture, mean over the units, and the facing (of the best
        mount)."""
        import numpy as np

        from yieldsim.planning.orientation.mount_frames import axes_enu_xyz, of_mounts
        from yieldsim.planning.sunlight.facing_energy import Sweep

        if not self.mounts:
            return best_facing(self.sky, table)
        given = of_mounts(self.mounts)
        each = Sweep.of(self.sky, table).kwh(axes_enu_xyz(given), given.tilt_deg) / self.sky.years
        units = np.array([mount.count for mount in self.mounts])
        return float((each * units).sum() / units.sum()), given.take([int(np.argmax(each))])


def best_facing(sky: WeightedSky, table: Acceptance) -> tuple[float, Facings]:
    """Annual kWh of the facing with most energy, and that facing, roll included where it matters.

    An even grid of the sky, finer than the acceptance (coarser where rolls are tried too), then a search
    from its best places apart from one another, down to a tenth of the acceptance's half-width, where
    energy is flat.
    """
    import numpy as np

    from yieldsim.optics.acceptance import half_width_deg
    from yieldsim.planning.orientation.mount_frames import axes_enu_xyz, spread_over_sky
    from yieldsim.planning.orientation.multistart import apart
    from yieldsim.planning.orientation.objectives import SCOUT_CELLS_PER_HALF_WIDTH, wider_sky
    from yieldsim.planning.orientation.pattern_search import search_turned
    from yieldsim.planning.sunlight.facing_energy import Sweep

    sweep = Sweep.of(sky, table)
    rolls_matter = not isinstance(table, RoundAcceptance)
    width = min(max(half_width_deg(table), 1.0), 5.0)
    step = max(3.0, FACING_STEP * width) if rolls_matter else FACING_STEP * width

    # many rolls are searched in wider cells; the answer is read in the fine ones
    scout = Sweep.of(wider_sky(sweep, SCOUT_CELLS_PER_HALF_WIDTH), table) if rolls_matter else sweep

    def score(some: Facings, at_least: FloatArray | None) -> FloatArray:
        return scout.kwh(axes_enu_xyz(some), some.tilt_deg)

    grid = spread_over_sky(step, np.arange(0.0, 180.0, 30.0) if rolls_matter else np.zeros(1))
    starts = apart(grid, score(grid, None), 4.0 * step, RIVALS)
    finest = 0.1 * width
    reached, _ = search_turned(
        lambda some, at_least: score(some, at_least)[:, None],
        lambda measures: measures[:, 0],
        starts,
        step / 2.0,
        finest_deg=finest,
        patience=2,
        rolls=rolls_matter,
    )
    facing = reached.take([0])
    return float(sweep.kwh(axes_enu_xyz(facing), facing.tilt_deg)[0]) / sky.years, facing


def trial_row(trial: Trial, ranges: Sequence[Range]) -> dict[str, Any]:
    """A trial by names, without what it does not have."""
    row: dict[str, Any] = {one.name: value for one, value in zip(ranges, trial.values, strict=True)}
    for name in Trial.__dataclass_fields__:
        value = getattr(trial, name)
        if name != "values" and not (isinstance(value, float) and not math.isfinite(value)):
            row[name] = value
    return row
