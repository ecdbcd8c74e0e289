"""Light of an estimate with dust and darkening taken out, and put in again as they might be instead.

The chain multiplies, so the delivered power of a mount is that of a clean aperture on a new fibre times what
the dust lets through times what darkening leaves. Both move slowly within a row, so rows may be divided by
the one and multiplied by another: against fine steps this costs under 1e-5 for dust of 1 % a day in rows of
an hour.

Dust follows `energy.soiling`; here also for shields that fail, visits that come round and shields that run
more often than rows change (their load is averaged over each row, not read at its middle).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from yieldsim.base.constants import DAYS_PER_YEAR, SECONDS_PER_DAY
from yieldsim.base.errors import CannotCompute
from yieldsim.base.model import Collector, Dust
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy import soiling
from yieldsim.energy.fibre import darkening_transmittance
from yieldsim.energy.radiation_loss import fibre_left, lens_left
from yieldsim.energy.soiling import Removals, history_of

DARKEST = 0.02
"""An aperture that let through less than this can't be cleaned in thought: its rows hold too little light."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CleanLight:
    """Power of clean apertures on a new fibre.

    power_w   (rows, mounts)  mean over each row, all units of the mount
    edge_s    (rows + 1,)  seconds from the start to each edge of a row
    units     how many units share it
    """

    power_w: FloatArray
    edge_s: FloatArray
    collector: Collector
    dust: Dust | None
    units: int

    @property
    def row_hours(self) -> float:
        """Length of a row."""
        return float(self.edge_s[1] - self.edge_s[0]) / 3600.0

    def kwh(self, passed: FloatArray | float = 1.0) -> float:
        """Energy of the run, each row and mount times what passes, (rows, mounts)."""
        return float((self.power_w * passed).sum()) * self.row_hours / 1000.0

    def repeated(self, rows: int, whole_rows: int) -> CleanLight:
        """The first `whole_rows` rows over and over, `rows` in all."""
        at = np.arange(rows) % whole_rows
        edge_s = np.arange(rows + 1, dtype=np.float64) * float(self.edge_s[1] - self.edge_s[0])
        return replace(self, power_w=self.power_w[at], edge_s=edge_s)


def clean_light(
    mount_power_w: FloatArray,
    clean_fraction: FloatArray,
    edge_s: FloatArray,
    collector: Collector,
    dust: Dust | None,
    units: int,
) -> CleanLight:
    """Take dust and darkening out of the delivered power by mount (rows, mounts).

    Raises CannotCompute when hardly any light came through the dust.
    """
    lit = mount_power_w > 0.0
    if lit.any() and clean_fraction[lit].min() < DARKEST:
        raise CannotCompute(
            f"the dust of the estimate lets through {clean_fraction[lit].min():.1%} of the light at its worst, too "
            "little to tell what clean apertures would deliver; run it with a shield or cleaning events"
        )
    left = darkening(collector, edge_s) * dose_of_lens(collector, edge_s)
    power = mount_power_w / np.where(lit, clean_fraction, 1.0) / left[:, None]
    return CleanLight(power_w=power, edge_s=edge_s, collector=collector, dust=dust, units=units)


def darkening(collector: Collector, edge_s: FloatArray) -> FloatArray:
    """What the fibre's darkening, by the year and by dose, leaves in each row between edges, (rows,); 1 without a fibre."""
    middle = 0.5 * (edge_s[1:] + edge_s[:-1])
    if collector.fibre is None:
        return np.ones_like(middle)
    return darkening_transmittance(collector.fibre, middle) * fibre_left(collector, middle)


def dose_of_lens(collector: Collector, edge_s: FloatArray) -> FloatArray:
    """What its dose leaves in the lens in each row, (rows,)."""
    return lens_left(collector, 0.5 * (edge_s[1:] + edge_s[:-1]))


def lens_darkening(loss_per_year: float, edge_s: FloatArray) -> FloatArray:
    """What a lens that loses a share of its transmittance a year leaves in each row, (rows,): (1 - loss)^years."""
    middle = 0.5 * (edge_s[1:] + edge_s[:-1])
    return np.asarray((1.0 - loss_per_year) ** (middle / (SECONDS_PER_DAY * DAYS_PER_YEAR)))


# ---------------------------------------------------------------- dust


def mean_load_days(history: soiling.DustHistory, edge_s: FloatArray) -> FloatArray:
    """Mean load between edges (rows + 1,), (rows,): the load grows straight between removals, so its integral is exact."""
    starts = history.start_tdb_s
    lasting = np.diff(starts)
    growth = history.days_per_day / SECONDS_PER_DAY
    inside = np.concatenate([[0.0], np.cumsum(history.load_days[:-1] * lasting + 0.5 * growth * lasting**2)])
    stretch = np.maximum(np.searchsorted(starts, edge_s, side="right") - 1, 0)
    since = edge_s - starts[stretch]
    gathered = inside[stretch] + history.load_days[stretch] * since + 0.5 * growth * since**2
    return np.asarray(np.diff(gathered) / np.diff(edge_s))


def passed_at_tilts(
    dust: Dust, found: Removals, tilts_deg: Sequence[float], edge_s: FloatArray
) -> FloatArray:
    """What the dust lets through of rows between edges (rows + 1,), at each of some tilts: (tilts, rows)."""
    rates = [soiling.deposition_rate(tilt, dust.tilt_exponent) for tilt in tilts_deg]
    by_rate = {
        rate: soiling.clean_fraction(dust, mean_load_days(history_of(found, rate), edge_s))
        for rate in set(rates)
    }
    return np.stack([by_rate[rate] for rate in rates])


def passed_by_mount(light: CleanLight, found: Removals) -> FloatArray:
    """What the dust lets through in each row and mount, (rows, mounts)."""
    tilts = [mount.tilt_deg for mount in light.collector.mounts]
    if light.dust is None:
        return np.ones((len(light.edge_s) - 1, len(tilts)))
    return np.ascontiguousarray(passed_at_tilts(light.dust, found, tilts, light.edge_s).T)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LightByRate:
    """Clean light, darkening in it, summed over mounts of one rate of dust: what any removals leave is quickly had.

    power_w   (rows, rates)
    rates     (rates,)  rates of deposition
    """

    power_w: FloatArray
    rates: tuple[float, ...]
    edge_s: FloatArray
    dust: Dust | None

    def dusty_kwh(self, found: Removals, rows: int | None = None) -> FloatArray:
        """Delivered light of each of the first rows (all), (rows,), with these removals."""
        row_hours = float(self.edge_s[1] - self.edge_s[0]) / 3600.0
        power, edge_s = self.power_w[:rows], self.edge_s[: None if rows is None else rows + 1]
        total = np.zeros(len(power))
        for place, rate in enumerate(self.rates):
            passed: FloatArray | float = 1.0
            if self.dust is not None:
                passed = soiling.clean_fraction(self.dust, mean_load_days(history_of(found, rate), edge_s))
            total += power[:, place] * passed
        return total * row_hours / 1000.0


def light_by_rate(light: CleanLight) -> LightByRate:
    """The light grouped by its mounts' rates of dust."""
    exponent = light.dust.tilt_exponent if light.dust is not None else 0.0
    own = [soiling.deposition_rate(mount.tilt_deg, exponent) for mount in light.collector.mounts]
    rates, of = np.unique(own, return_inverse=True)
    left = darkening(light.collector, light.edge_s) * dose_of_lens(light.collector, light.edge_s)
    power = light.power_w * left[:, None]
    grouped = np.stack([power[:, of.ravel() == place].sum(axis=1) for place in range(len(rates))], axis=1)
    return LightByRate(power_w=grouped, rates=tuple(rates.tolist()), edge_s=light.edge_s, dust=light.dust)
