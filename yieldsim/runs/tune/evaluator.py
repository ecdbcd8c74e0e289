"""Where tuned designs are tried: each is traced and its annual energy read off the site's weighted sky."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import YieldsimError
from yieldsim.base.model import Acceptance, Collector, Mount

if TYPE_CHECKING:
    from yieldsim.energy.sunlit import LitSteps
    from yieldsim.planning.orientation.mount_frames import Facings
    from yieldsim.planning.sunlight.cumulative_sky import WeightedSky
    from yieldsim.runs.cluster import Compute
    from yieldsim.runs.tune.ranges import Range

TOLERANCE = 0.01
"""Of the traced acceptances; all designs share the random shifts of each lattice, so they compare far better than
that."""


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
    """Where designs are tried: the site's sky, its lit steps and the facing rule; remembers what was tried."""

    data: dict[str, Any]
    path: Path
    ranges: tuple[Range, ...]
    sky: WeightedSky
    track: LitSteps
    design: Collector
    """The collector that the sky was weighed for: its fibre is in the sky's energies."""
    mounts: tuple[Mount, ...]
    tried: dict[tuple[float, ...], Trial] = field(default_factory=dict)

    def trial(self, values: Sequence[float]) -> Trial:
        """Trace a design and read its energy off the sky."""
        key = self._key(values)
        if key not in self.tried:
            self.tried[key] = self._tried(key, self.changed(key))
        return self.tried[key]

    def trials(
        self, designs: Sequence[Sequence[float]], compute: Compute, advance: Callable[[int], None]
    ) -> list[Trial]:
        """Several designs, shared out; advance: told how many are done."""
        from yieldsim.runs.cluster import in_order

        keys = list(dict.fromkeys(self._key(values) for values in designs))
        found = in_order(compute(_tried_design, [(key,) for key in keys], self), advance)
        self.tried |= {trial.values: trial for trial in found}
        return [self.tried[self._key(values)] for values in designs]

    def _key(self, values: Sequence[float]) -> tuple[float, ...]:
        """A design as it is remembered."""
        from yieldsim.files.prescription.edit import is_count

        return tuple(
            float(round(value)) if is_count(one.path) else float(value)
            for value, one in zip(values, self.ranges, strict=True)
        )

    def baseline(self) -> Trial | None:
        """The file as it stands; None where it leaves a varied value out."""
        from yieldsim.files.prescription.edit import present_value

        values = [present_value(self.data, one.path) for one in self.ranges]
        given = [value for value in values if value is not None]
        return self._tried(tuple(given), self.data) if len(given) == len(values) else None

    def changed(self, values: Sequence[float]) -> dict[str, Any]:
        """The prescription's table with the values of a design, linked ones too."""
        from yieldsim.files.prescription.edit import with_value

        data = self.data
        for one, value in zip(self.ranges, values, strict=True):
            for path, linked in one.values(value).items():
                data = with_value(data, path, linked)
        return data

    def kwh(self, data: dict[str, Any], seed: int) -> float:
        """Annual energy of a unit of a design, traced with random shifts of its own."""
        return self._energy((), data, seed).annual_kwh

    def _tried(self, values: tuple[float, ...], data: dict[str, Any]) -> Trial:
        try:
            return self._energy(values, data)
        except YieldsimError as error:
            return Trial(values=values, reason=str(error).splitlines()[0])

    def _energy(self, values: tuple[float, ...], data: dict[str, Any], seed: int | None = None) -> Trial:
        from yieldsim.energy.spectral_transmittance import attenuation_fraction, energy_acceptance
        from yieldsim.optics.acceptance import half_width_deg
        from yieldsim.optics.etendue import projected_acceptance_sr
        from yieldsim.optics.etendue_ledger import fibre_limit_m2_sr
        from yieldsim.runs.trace.run import changed_optics

        prescription, table = changed_optics(data, self.path, self.design, TOLERANCE, seed)
        area = prescription.aperture_area_m2
        coloured = replace(self.design, acceptance=table)
        kwh, facing = self._facing(energy_acceptance(coloured))
        in_the_sky = attenuation_fraction(self.design)
        kwh *= attenuation_fraction(coloured) / in_the_sky if in_the_sky > 0.0 else 0.0
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

        from yieldsim.planning.orientation.best_facing import best_facing
        from yieldsim.planning.orientation.mount_frames import of_mounts
        from yieldsim.planning.orientation.objectives import FacingProblem, Prospect
        from yieldsim.planning.sunlight.facing_energy import Sweep

        if not self.mounts:
            prospect = Prospect.of(self.sky, self.track, table)
            found = best_facing(FacingProblem(prospect, "annual"), bounded=False)
            return found.score, found.facing
        given = of_mounts(self.mounts)
        each = Sweep.of(self.sky, table).kwh(given.axes_enu_xyz, given.tilt_deg) / self.sky.years
        units = np.array([mount.count for mount in self.mounts])
        return float((each * units).sum() / units.sum()), given.take([int(np.argmax(each))])


def _tried_design(bench: Bench, values: tuple[float, ...]) -> Trial:
    return bench.trial(values)


def traced_again(bench: Bench, values: tuple[float, ...] | None, seed: int) -> float:
    """Annual energy of a design with random shifts of its own, kWh; None: the prescription as it stands."""
    return bench.kwh(bench.data if values is None else bench.changed(values), seed)


def trial_row(trial: Trial, ranges: Sequence[Range]) -> dict[str, Any]:
    """A trial by names, without what it does not have."""
    row: dict[str, Any] = {one.name: value for one, value in zip(ranges, trial.values, strict=True)}
    for name in Trial.__dataclass_fields__:
        value = getattr(trial, name)
        if name != "values" and not (isinstance(value, float) and not math.isfinite(value)):
            row[name] = value
    return row
