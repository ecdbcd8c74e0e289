"""From the Sun's track to hourly series: fine steps inside each interval, averaged, streamed by blocks.

Each interval is cut into equal steps and every quantity is taken at the middle of its step. The steps are halved until the energy
of the whole run moves by less than the tolerance.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import xarray as xr

from yieldsim.base.constants import DAYS_PER_YEAR, SECONDS_PER_HOUR
from yieldsim.base.dataset import add, add_all
from yieldsim.base.errors import CannotCompute
from yieldsim.base.model import BiaxialAcceptance, Collector, HorizonMask, Site
from yieldsim.base.numerics.vectors import FloatArray, direction_enu_xyz
from yieldsim.base.year.time_grid import TimeGrid as TimeGrid
from yieldsim.energy import soiling
from yieldsim.energy.chain import (
    BY_DIRECTION,
    fibre_transmittance,
    front_transmittance,
    lens_darkening,
    mount_fibre_transmittance,
    stage_powers_w,
    stages_of,
    sun_following_power_w,
)
from yieldsim.energy.etendue_bound import SkyEnergy
from yieldsim.energy.incidence import add_acceptance, add_beam, add_incidence
from yieldsim.energy.radiation_loss import darkens_lens
from yieldsim.energy.sunlit import MOST_STEPS, LitSteps, LitStepsGathering
from yieldsim.ground.visible_disc import add_visibility
from yieldsim.optics.acceptance import half_width_deg
from yieldsim.sky.atmosphere import add_air
from yieldsim.sky.eclipse import add_occulter
from yieldsim.sky.sun_track import SunTrack

BLOCK_STEPS = 200_000
"""Fine steps (times mounts) held at once: some 40 MB."""
SHORTEST_STEP_S, LONGEST_FIRST_STEP_S = 1.0, 1800.0

MEANS = (
    "open_horizon_fraction",
    "uneclipsed_fraction",
    "disc_visible_fraction",
    "solar_irradiance_w_m2",
    "optical_depth",
    "beam_transmittance",
    "beam_irradiance_w_m2",
)
POINTS = (
    "solar_azimuth_deg",
    "solar_elevation_deg",
    "sun_distance_au",
    "sun_angular_radius_deg",
    "solar_longitude_deg",
    "local_true_solar_time_hours",
)
FURTHER = {
    "stage_power_w": ("stage",),
    "clean_fraction": ("mount",),
    "mount_delivered_power_w": ("mount",),
    "mount_fibre_transmittance": ("mount",),
}
"""Dimensions of means besides time."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Setting:
    """All that a run needs besides the time: track, site, skyline, collector.

    year_days   what annual figures are per, the body's year
    """

    track: SunTrack
    site: Site
    mask: HorizonMask | None
    dip_deg: float
    collector: Collector
    start_tdb_s: float
    year_days: float = DAYS_PER_YEAR

    def dust_history(self, tilt_deg: float) -> soiling.DustHistory | None:
        """Dust on an aperture at a tilt through the run; None where there is no dust."""
        if self.site.dust is None:
            return None
        ends = self.start_tdb_s, self.track.end_tdb_s
        return soiling.dust_history(self.site.dust, self.collector.shield, tilt_deg, *ends)

    def passed_by_dust(self, tilt_deg: float, tdb_s: FloatArray) -> FloatArray:
        """What the dust on an aperture at a tilt lets through, (time,); 1 where there is none."""
        history = self.dust_history(tilt_deg)
        if self.site.dust is None or history is None:
            return np.ones(len(tdb_s))
        return soiling.clean_fraction(self.site.dust, soiling.load_at(history, tdb_s))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Integrated:
    """One pass: the interval series, which fine steps delivered, the sky's energy at the fibre's entrance, the Sun while lit."""

    series: xr.Dataset
    delivering: np.ndarray
    lit: np.ndarray
    """Fine steps in which any part of the Sun's disc is in sight from the site, whatever the mounts face."""
    step_s: float
    sky: SkyEnergy
    sunlit: LitSteps
    """Steps in which apertures that follow the Sun deliver, the power of all units."""
    peak_w: float
    """Highest delivered power of any fine step, and the UTC label of its middle."""
    peak_utc: np.datetime64

    @property
    def delivered_kwh(self) -> float:
        """Energy of the run."""
        hours = self.step_s * len(self.delivering) / len(self.series.time) / SECONDS_PER_HOUR
        return float(self.series["delivered_power_w"].sum(skipna=False)) * hours / 1000.0


def beam_block(setting: Setting, utc: np.ndarray, tdb_s: FloatArray) -> xr.Dataset:
    """The Dataset of one block of fine steps as far as it is the same for every mount: from the Sun's track to the beam."""
    site = setting.site
    ds = setting.track.dataset(tdb_s, utc)
    ds = ds.assign_coords(since_start_s=("time", tdb_s - setting.start_tdb_s))
    if site.body.occulters:
        ds = add_occulter(ds, setting.track, tdb_s)
    ds = add_visibility(ds, setting.mask, setting.dip_deg)
    if site.optical_depth is not None:
        ds = add_air(ds, site, tdb_s)
    return add_beam(ds)


def fine_block(setting: Setting, utc: np.ndarray, tdb_s: FloatArray) -> xr.Dataset:
    """The Dataset of one block of fine steps, from the Sun's track to the acceptance of every mount."""
    return on_mounts(beam_block(setting, utc, tdb_s), setting, tdb_s)


def on_mounts(beam: xr.Dataset, setting: Setting, tdb_s: FloatArray) -> xr.Dataset:
    """What `beam_block` gave, with the incidence, acceptance and dust of every mount."""
    site, collector = setting.site, setting.collector
    ds = beam.assign_coords(mount=np.arange(len(collector.mounts)))
    ds = add_incidence(ds, collector)
    ds = add_acceptance(ds, collector)
    if site.dust is not None:
        tilts_deg = [mount.tilt_deg for mount in collector.mounts]
        clean = {tilt_deg: setting.passed_by_dust(tilt_deg, tdb_s) for tilt_deg in set(tilts_deg)}
        passed = np.stack([clean[tilt_deg] for tilt_deg in tilts_deg], axis=1)
        ds = add(ds, "clean_fraction", passed, ("time", "mount"))
    return ds


def integrate(
    setting: Setting, grid: TimeGrid, steps: int, progress: Callable[[int, int], None] | None = None
) -> Integrated:
    """One pass over the run with `steps` fine steps in each interval."""
    per_block = max(1, BLOCK_STEPS // (steps * len(setting.collector.mounts)))
    rows: dict[str, FloatArray] = {}
    delivering, lit = np.empty((2, grid.count * steps), dtype=bool)
    sky, fine_s = SkyEnergy(), grid.interval_s / steps
    sunlit = LitStepsGathering(grid.edge_utc[0], grid.count * steps, fine_s, steps, most_steps=MOST_STEPS)
    step_hours = fine_s / SECONDS_PER_HOUR
    peak_w, peak_utc = -1.0, grid.edge_utc[0]
    for first in range(0, grid.count, per_block):
        last = min(first + per_block, grid.count)
        fine = fine_block(setting, *grid.fine(first, last, steps))
        means, power_w, following_w = _interval_means(fine, setting.collector, last - first)
        highest = int(np.argmax(power_w))
        if power_w[highest] > peak_w:
            peak_w, peak_utc = float(power_w[highest]), fine["time"].values[highest]
        for name, values in means.items():
            if first == 0:
                rows[name] = np.empty((grid.count, *values.shape[1:]))
            rows[name][first:last] = values
        delivering[first * steps : last * steps] = power_w > 0.0
        lit[first * steps : last * steps] = fine["disc_visible_fraction"].values > 0.0
        _gather_sky(sky, fine, setting.collector, step_hours)
        sun = direction_enu_xyz(fine["solar_azimuth_deg"].values, fine["solar_elevation_deg"].values)
        sunlit.add(first * steps, sun, following_w)
        if progress is not None:
            progress(last, grid.count)
    return Integrated(
        series=_assemble(setting, grid, rows),
        delivering=delivering,
        lit=lit,
        step_s=fine_s,
        sky=sky,
        sunlit=sunlit.finished(),
        peak_w=peak_w,
        peak_utc=peak_utc,
    )


def first_steps(site: Site, collector: Collector, interval_s: float) -> int:
    """Fine steps an interval to start from: the Sun moves at most a quarter of the curve's half-width, or of 2 degrees, a step.

    No step is longer than half an hour, so that hours of light and gaps are told as finely in rows of a day as in rows of an hour.
    """
    degrees_per_s = 360.0 / (site.body.mean_solar_day_hours * SECONDS_PER_HOUR)
    table = collector.acceptance_table
    feature_deg = min(half_width_deg(table), 8.0)
    if isinstance(table, BiaxialAcceptance):
        feature_deg = min(feature_deg, 4.0)
    moving = math.ceil(interval_s * degrees_per_s / (feature_deg / 4.0))
    return max(math.ceil(interval_s / LONGEST_FIRST_STEP_S), moving)


def converge(
    setting: Setting, grid: TimeGrid, tolerance: float, progress: Callable[[int, int], None] | None = None
) -> tuple[Integrated, float]:
    """Halve the step until the run's energy moves by less than `tolerance`; the finest pass and its relative change.

    Raises CannotCompute when steps of a second do not settle it.
    """
    steps = first_steps(setting.site, setting.collector, grid.interval_s)
    coarse_kwh = integrate(setting, grid, steps, progress).delivered_kwh
    while True:
        steps *= 2
        fine = integrate(setting, grid, steps, progress)
        change = abs(fine.delivered_kwh - coarse_kwh) / max(fine.delivered_kwh, 1e-12)
        if fine.delivered_kwh == coarse_kwh or change <= tolerance:
            return fine, change
        if fine.step_s / 2.0 < SHORTEST_STEP_S:
            raise CannotCompute(
                f"energy still moves by {change:.2%} at steps of {fine.step_s:g} s (tolerance {tolerance:.2%}); "
                "widen the tolerance or check the acceptance table for a feature narrower than the Sun"
            )
        coarse_kwh = fine.delivered_kwh


def _interval_means(
    fine: xr.Dataset, collector: Collector, count: int
) -> tuple[dict[str, FloatArray], FloatArray, FloatArray]:
    """Means over each interval; of the fine steps the delivered power, and that of Sun-following apertures."""
    by_stage, by_mount = stage_powers_w(fine, collector)
    delivered = by_stage[:, -1]
    columns: dict[str, FloatArray] = {name: fine[name].values for name in MEANS if name in fine}
    if "clean_fraction" in fine:
        columns["clean_fraction"] = fine["clean_fraction"].values
    else:
        columns["clean_fraction"] = np.ones_like(by_mount)
    columns["fibre_transmittance"] = fibre_transmittance(fine, collector)
    if darkens_lens(collector):
        columns["lens_transmittance"] = np.asarray(lens_darkening(fine, collector))
    columns["stage_power_w"] = by_stage
    columns["mount_delivered_power_w"] = by_mount
    columns["delivered_power_w"] = delivered
    columns["sun_following_power_w"] = sun_following_power_w(fine, collector)
    columns["delivering_fraction"] = (delivered > 0.0).astype(np.float64)
    if BY_DIRECTION in fine:
        kept = mount_fibre_transmittance(fine, collector)
        columns["mount_fibre_transmittance"] = np.divide(
            by_mount, kept, out=np.zeros_like(by_mount), where=kept > 0.0
        )
    means = {k: v.reshape(count, -1, *v.shape[1:]).mean(axis=1) for k, v in columns.items()}
    if BY_DIRECTION in fine:  # so far what enters: the mean over a row is by its light
        entering = means["mount_fibre_transmittance"]
        dark = np.repeat(means["fibre_transmittance"][:, None], entering.shape[1], axis=1)
        means["mount_fibre_transmittance"] = np.divide(
            means["mount_delivered_power_w"], entering, out=dark, where=entering > 0.0
        )
    return means, delivered, columns["sun_following_power_w"]


def _gather_sky(sky: SkyEnergy, fine: xr.Dataset, collector: Collector, step_hours: float) -> None:
    """Add a block's beam energy after film, dust and fibre: what etendue alone then limits."""
    optics = fibre_transmittance(fine, collector) * front_transmittance(fine, collector)
    if "clean_fraction" in fine:
        optics = optics * fine["clean_fraction"].values.max(axis=1)
    sky.gather(
        fine["solar_azimuth_deg"].values,
        fine["solar_elevation_deg"].values,
        fine["sun_angular_radius_deg"].values,
        fine["beam_irradiance_w_m2"].values * optics * step_hours / 1000.0,
    )


def _assemble(setting: Setting, grid: TimeGrid, means: dict[str, FloatArray]) -> xr.Dataset:
    """The interval series: means from the fine steps, angles at the middle of each interval."""
    middle = setting.track.dataset(grid.fine(0, grid.count, 1)[1], grid.edge_utc[:-1])
    collector = setting.collector
    ds = xr.Dataset(
        coords={
            "time": grid.edge_utc[:-1],
            "mount": np.arange(len(collector.mounts)),
            "stage": np.array([stage.name for stage in stages_of(collector)], dtype=object),
        }
    )
    ds = add_all(ds, {name: middle[name].values for name in POINTS})
    ds = add_incidence(ds, collector)
    ds = add_all(ds, means, FURTHER)
    if "mount_fibre_transmittance" in ds:
        ds["fibre_transmittance"].attrs["comment"] = "for light of the optics' mean colour"
    shield = setting.collector.shield
    duty = soiling.shield_duty_fraction(
        shield, grid.edge_tdb_s, setting.start_tdb_s, float(grid.edge_tdb_s[-1])
    )
    power_w = 0.0 if shield is None else shield.power_w * collector.unit_count
    return add(ds, "shield_power_w", duty * power_w)
