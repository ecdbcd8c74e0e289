"""An estimate run again and again with other inputs, from a sky that is worked out once.

A draw reads the sky of `drawn_sky`: the skyline by straight lines between those kept, the air as a power of
its transmittance, the mounts' own acceptance at each step, summed to rows; then dust by rows, film, fibre.
Nothing else is approximated: an unchanged draw gives the estimate again (to the rounding of its acceptance
lookup), and changed ones are held to full runs by the tests.

A wider or narrower acceptance is read at angles made smaller or larger by the same factor. The disc over
which the curve was averaged is stretched with it: for 10 % that moves the energy by under 1e-4. Attenuation
is read between FACTORS steps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import SECONDS_PER_HOUR
from yieldsim.base.load_model import MEASURED_YEAR
from yieldsim.base.model import (
    AttenuationTable,
    Collector,
    OpticalDepthTable,
    Shield,
)
from yieldsim.base.numerics.interpolation import linear
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray, mount_axes_enu_xyz
from yieldsim.energy import soiling
from yieldsim.energy.degradation import passed_at_tilts
from yieldsim.energy.fibre import (
    darkening_transmittance,
    fibre_ends_fraction,
)
from yieldsim.energy.integration import Setting, TimeGrid
from yieldsim.energy.radiation_loss import fibre_left, lens_left, scaled
from yieldsim.energy.spectral_transmittance import attenuation_fraction, energy_acceptance
from yieldsim.optics.acceptance_interpolator import Lookup, curve_light, grid_light
from yieldsim.optics.acceptance_lookup import lookup
from yieldsim.planning.sunlight.sunlit_series import longest_gap_steps
from yieldsim.planning.uncertainty.precomputed_sky import DrawnSky
from yieldsim.sky.atmosphere import beam_transmittance

FACTORS = 17
Values = dict[str, float]
"""Drawn numbers by the names of base.load_model.DOUBTS; what is not there keeps the input's own value."""


# ---------------------------------------------------------------- one draw


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DrawnRun:
    """A sky with the collector under it, ready for any number of draws.

    ready                   the acceptance, averaged over the disc
    factors, attenuated     factors on the fibre's attenuation, and what it then lets through
    edge_s                  (rows + 1,)  seconds since the start
    event_s                 dated cleaning events: seconds since the start, share removed
    year_air                (years, n)  transmittance of the air at the sky's steps in each measured year
    cycles_run              (cycles,)  which of the shield's cycles run; None: all
    light_left              (mounts,)  what age leaves of a new unit's light; None: all of it
    """

    sky: DrawnSky
    setting: Setting
    ready: Lookup
    factors: FloatArray
    attenuated: FloatArray
    edge_s: FloatArray
    event_s: tuple[tuple[float, float], ...]
    year_air: FloatArray
    cycles_run: NDArray[np.bool_] | None = None
    light_left: FloatArray | None = None

    @property
    def row_hours(self) -> float:
        """Length of a row."""
        return float(self.edge_s[1] - self.edge_s[0]) / SECONDS_PER_HOUR


def drawn_run(
    setting: Setting,
    grid: TimeGrid,
    sky: DrawnSky,
    factors: tuple[float, float],
    years: Sequence[OpticalDepthTable] = (),
) -> DrawnRun:
    """Make ready for draws with the fibre's attenuation times anything between two factors.

    years   optical depth by season of each measured year that may take the place of the site's
    """
    collector = setting.collector
    steps = np.unique(np.append(np.linspace(*factors, FACTORS), 1.0))
    dated = soiling.cleaning_events(setting.site.dust) if setting.site.dust else ()
    return DrawnRun(
        sky=sky,
        setting=setting,
        ready=lookup(energy_acceptance(collector), sky.class_radius_deg),
        factors=steps,
        attenuated=np.array([_attenuated(collector, float(factor)) for factor in steps]),
        edge_s=grid.edge_tdb_s - setting.start_tdb_s,
        event_s=tuple((at - setting.start_tdb_s, removes) for at, removes in dated),
        year_air=np.array(
            [
                beam_transmittance(
                    linear(sky.solar_longitude_deg, year.x, year.optical_depth, outside="periodic"),
                    sky.air_mass,
                )
                for year in years
            ]
        ),
    )


def _attenuated(collector: Collector, factor: float) -> float:
    """What a fibre with its attenuation times a factor lets through of its length."""
    fibre = collector.fibre
    if fibre is None:
        return 1.0
    table = fibre.attenuation
    more = (
        AttenuationTable(
            wavelength_nm=table.wavelength_nm, attenuation_db_per_km=table.attenuation_db_per_km * factor
        )
        if isinstance(table, AttenuationTable)
        else table * factor
    )
    return attenuation_fraction(replace(collector, fibre=replace(fibre, attenuation=more)))


def delivered_w(run: DrawnRun, values: Values) -> FloatArray:
    """Delivered power of all units in each row, (rows,), with the drawn numbers in place."""
    return delivered_with_gap(run, values)[0]


def delivered_with_gap(run: DrawnRun, values: Values) -> tuple[FloatArray, float]:
    """Delivered power of all units in each row, (rows,), and the longest gap, hours, with the drawn numbers in place.

    A gap is a stretch of fine steps without light, as an estimate counts it.
    """
    sky = run.sky
    power = sky.plain_w * _left_by_skyline(sky, values.get("horizon_height_deg", 0.0))
    if sky.air.size:
        air = run.year_air[int(values[MEASURED_YEAR])] if MEASURED_YEAR in values else sky.air
        power = power * air ** values.get("optical_depth", 1.0)
    accepted, lit = _accepted_w(run, power, values)
    passed = _passed_by_dust(run, values)
    if run.light_left is not None:
        passed = passed * run.light_left[:, None]
    delivered = np.asarray((accepted * passed).sum(axis=0) * _common(run, values))
    steps = sky.step[lit & (delivered[sky.row] > 0.0)]
    dark, _ = longest_gap_steps((steps, steps + 1), sky.rows * sky.steps_per_row)
    return delivered, dark * run.row_hours / sky.steps_per_row


def _left_by_skyline(sky: DrawnSky, raised_deg: float) -> FloatArray:
    """Visible share of the disc (n,): straight lines between the skylines kept, none where this one hides all of it.

    Gaps hang on the moment when the last of the disc goes, which lines would put at the next skyline that hides it.
    """
    if len(sky.raised_deg) == 1:
        return sky.visible[:, 0]
    place = (raised_deg - sky.raised_deg[0]) / (sky.raised_deg[1] - sky.raised_deg[0])
    first = int(min(max(place, 0.0), len(sky.raised_deg) - 2))
    share = place - first
    if share == 0.0:
        return sky.visible[:, first]
    between = sky.visible[:, first] * (1.0 - share) + sky.visible[:, first + 1] * share
    return np.where(sky.clearance_deg > raised_deg, between, 0.0)


def _accepted_w(run: DrawnRun, power_w: FloatArray, values: Values) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Mean power within the fibre's cone by mount and row, (mounts, rows), all units, and which steps have any, (n,);
    mounts alike are done once.
    """
    sky, mounts = run.sky, run.setting.collector.mounts
    facings, of = np.unique(
        [(mount.tilt_deg, mount.azimuth_deg, mount.roll_deg) for mount in mounts], axis=0, return_inverse=True
    )
    tilt, azimuth = values.get("mount_tilt_deg", 0.0), values.get("mount_azimuth_deg", 0.0)
    axes = np.stack([mount_axes_enu_xyz(t + tilt, a + azimuth, roll) for t, a, roll in facings.tolist()])
    width = values.get("acceptance_width", 1.0)
    lit = np.zeros(len(sky.row), dtype=np.bool_)
    found = gathered_w(
        sky.row, sky.sun_enu_xyz, power_w, sky.radius_class, run.ready, width, axes, sky.rows, lit
    )
    counts = np.array([mount.count for mount in mounts]) / sky.steps_per_row
    return np.asarray(found[of.ravel()] * counts[:, None]), lit


@njit(cache=True)
def gathered_w(
    row: NDArray[np.int64],
    sun: FloatArray,
    power_w: FloatArray,
    radius_class: NDArray[np.int64],
    ready: Lookup,
    width: float,
    axes: FloatArray,
    rows: int,
    lit: NDArray[np.bool_],
) -> FloatArray:
    """Accepted power of one unit of each facing summed over the steps of each row, (facings, rows).

    width   factor on the angles of the acceptance
    axes    (facings, 3, 3)
    lit     (n,)  set where any facing takes light
    """
    found = np.zeros((axes.shape[0], rows))
    closest = 0.0
    if ready.is_round or width == 1.0:
        closest = max(math.cos(min(ready.reach_rad * width, 0.5 * math.pi)), 0.0)
    for f in range(axes.shape[0]):
        xx, xy, xz = axes[f, 0, 0], axes[f, 0, 1], axes[f, 0, 2]
        yx, yy, yz = axes[f, 1, 0], axes[f, 1, 1], axes[f, 1, 2]
        zx, zy, zz = axes[f, 2, 0], axes[f, 2, 1], axes[f, 2, 2]
        now = -1
        curve, grid = ready.curve[0], ready.grid[0]
        for i in range(row.shape[0]):
            z = zx * sun[i, 0] + zy * sun[i, 1] + zz * sun[i, 2]
            if z <= closest:
                continue
            # taking a class's curve out of the lookup costs more than reading it, and classes change seldom
            if radius_class[i] != now:
                now = radius_class[i]
                curve, grid = (
                    ready.curve[min(now, len(ready.curve) - 1)],
                    ready.grid[min(now, len(ready.grid) - 1)],
                )
            x = xx * sun[i, 0] + xy * sun[i, 1] + xz * sun[i, 2]
            y = yx * sun[i, 0] + yy * sun[i, 1] + yz * sun[i, 2]
            if ready.is_round:
                share = _round_share(curve, ready.chord_step, width, x, y, z)
            else:
                share = _grid_share(grid, ready, width, x, y, z)
            taken = power_w[i] * share
            found[f, row[i]] += taken
            if taken > 0.0:
                lit[i] = True
    return found


@njit(cache=True, inline="always")
def _round_share(curve: FloatArray, chord_step: float, width: float, x: float, y: float, z: float) -> float:
    """Acceptance times cosine of a round curve whose angles are `width` times as large."""
    if width == 1.0:
        return float(curve_light(curve, chord_step, z))
    cosine = math.cos(math.atan2(math.sqrt(x * x + y * y), z) / width)
    # the curve holds the cosine of its own angle
    return float(curve_light(curve, chord_step, cosine) * z / cosine) if cosine > 1e-3 else 0.0


@njit(cache=True, inline="always")
def _grid_share(grid: FloatArray, ready: Lookup, width: float, x: float, y: float, z: float) -> float:
    """Acceptance times cosine of a grid whose two angles are `width` times as large."""
    across, along, ahead = x, y, z
    if width != 1.0:
        turned_t, turned_l = math.atan2(x, z) / width, math.atan2(y, z) / width
        if max(abs(turned_t), abs(turned_l)) >= 0.5 * math.pi:
            return 0.0
        across, along, ahead = math.tan(turned_t), math.tan(turned_l), 1.0
    return float(
        z
        * grid_light(
            grid,
            ready.first_t,
            ready.step_t,
            ready.fold_t,
            ready.first_l,
            ready.step_l,
            ready.fold_l,
            across,
            along,
            ahead,
        )
    )


def _passed_by_dust(run: DrawnRun, values: Values) -> FloatArray:
    """What the dust lets through by mount and row, (mounts, rows)."""
    dust, collector = run.setting.site.dust, run.setting.collector
    if dust is None:
        return np.ones((len(collector.mounts), 1))
    dust = replace(dust, loss_per_day=min(dust.loss_per_day * values.get("dust_rate", 1.0), 1.0 - 1e-12))
    shield: Shield | None = collector.shield
    if shield is not None and "shield_removal" in values:
        shield = replace(shield, removal=values["shield_removal"], grains=None)
    if shield is not None and shield.grains is not None and "grain_median" in values:
        median_um = shield.grains.median_um * values["grain_median"]
        shield = replace(shield, grains=replace(shield.grains, median_um=median_um))
    found = soiling.removals(shield, float(run.edge_s[-1]), run.event_s, runs=run.cycles_run)
    tilts = [mount.tilt_deg + values.get("mount_tilt_deg", 0.0) for mount in collector.mounts]
    return passed_at_tilts(dust, found, tilts, run.edge_s)


def _common(run: DrawnRun, values: Values) -> FloatArray:
    """Factors that all mounts share: sunlight, film, acceptance's scale, fibre; (rows,) or (1,).

    A scale that would lift the acceptance above 1 anywhere lifts it to 1.
    """
    collector = run.setting.collector
    highest = 1.0 / max(float(energy_acceptance(collector).acceptance_fraction.max()), 1e-12)
    factor = values.get("irradiance", 1.0) * min(values.get("acceptance_scale", 1.0), highest)
    if collector.shield is not None:
        factor *= values.get("film_transmittance", collector.shield.film_transmittance)
    middle_s = 0.5 * (run.edge_s[1:] + run.edge_s[:-1])
    dosed = scaled(collector, values.get("radiation_dose", 1.0))
    dose = fibre_left(dosed, middle_s) * lens_left(dosed, middle_s) if dosed.radiation else 1.0
    fibre = collector.fibre
    if fibre is None:
        return np.asarray(np.full(1, factor) * dose)
    factor *= fibre.packing * values.get("fibre_coupling", fibre.coupling) * fibre_ends_fraction(fibre)
    factor *= float(np.interp(values.get("fibre_attenuation", 1.0), run.factors, run.attenuated))
    darker = replace(
        fibre,
        darkening_db_per_km_per_year=fibre.darkening_db_per_km_per_year * values.get("fibre_darkening", 1.0),
    )
    return np.asarray(factor * darkening_transmittance(darker, middle_s) * dose)
