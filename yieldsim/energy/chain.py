"""The chain of losses, from sunlight on a Sun-facing aperture to light leaving the fibre: one line a stage.

Each stage is a function (ds, collector) -> factor, (time,) or (time, mount), 0..1. The power after a stage is the power before it
times the factor, so the ledger adds up by construction. To add a loss: one function, one line in STAGES, one word in the vocabulary
if the factor is to be kept, one published check.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import xarray as xr

from yieldsim.base.model import Collector
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy import fibre as fibre_losses
from yieldsim.energy.radiation_loss import darkens_lens, fibre_left, lens_left
from yieldsim.energy.spectral_transmittance import attenuation_fraction, energy_acceptance
from yieldsim.optics.acceptance import normal_acceptance

BY_DIRECTION = "fibre_length_transmittance"
Factor = Callable[[xr.Dataset, Collector], "FloatArray | float"]


def _share(part: FloatArray, whole: FloatArray) -> FloatArray:
    """part / whole, and 0 where there is nothing to share."""
    return np.divide(part, whole, out=np.zeros_like(part), where=whole > 0.0)


def sunlight(ds: xr.Dataset, collector: Collector) -> FloatArray:
    """Share of the disc over an open horizon: night is no loss of the collector's."""
    return np.asarray(ds["open_horizon_fraction"].values)


def eclipse(ds: xr.Dataset, collector: Collector) -> FloatArray:
    """What an eclipsing body leaves of the light over an open horizon."""
    return _share(ds["uneclipsed_fraction"].values, ds["open_horizon_fraction"].values)


def terrain(ds: xr.Dataset, collector: Collector) -> FloatArray:
    """What the skyline leaves of that."""
    return _share(ds["disc_visible_fraction"].values, ds["uneclipsed_fraction"].values)


def atmosphere(ds: xr.Dataset, collector: Collector) -> FloatArray | float:
    """Direct-beam transmittance of the air; 1 where there is none."""
    return np.asarray(ds["beam_transmittance"].values) if "beam_transmittance" in ds else 1.0


def projection(ds: xr.Dataset, collector: Collector) -> FloatArray:
    """Cosine of incidence; 0 for a Sun behind the aperture."""
    return np.asarray(np.maximum(np.cos(np.radians(ds["incidence_deg"].values)), 0.0))


def shield_film(ds: xr.Dataset, collector: Collector) -> float:
    """Transmittance of the dust shield's film."""
    return collector.shield.film_transmittance if collector.shield else 1.0


def dust(ds: xr.Dataset, collector: Collector) -> FloatArray | float:
    """What the dust lets through."""
    return np.asarray(ds["clean_fraction"].values) if "clean_fraction" in ds else 1.0


def acceptance(ds: xr.Dataset, collector: Collector) -> FloatArray:
    """Share of the light on the aperture that leaves the funnel within the fibre's cone."""
    return np.asarray(ds["acceptance_fraction"].values)


def fibre_packing(ds: xr.Dataset, collector: Collector) -> float:
    """Share of the bundle's face that is core."""
    return collector.fibre.packing if collector.fibre else 1.0


def fibre_coupling(ds: xr.Dataset, collector: Collector) -> float:
    """Any further stated loss between funnel and fibre."""
    return collector.fibre.coupling if collector.fibre else 1.0


def fibre_ends(ds: xr.Dataset, collector: Collector) -> float:
    """Both end faces."""
    return fibre_losses.fibre_ends_fraction(collector.fibre) if collector.fibre else 1.0


def fibre_attenuation(ds: xr.Dataset, collector: Collector) -> FloatArray | float:
    """The fibre's length, new, for light of the colour that the optics let through, direction by direction."""
    if BY_DIRECTION in ds:
        return np.asarray(ds[BY_DIRECTION].values)
    return attenuation_fraction(collector)


def fibre_darkening(ds: xr.Dataset, collector: Collector) -> FloatArray | float:
    """Its darkening since the start of the run, by the year and by dose."""
    if collector.fibre is None:
        return 1.0
    left: FloatArray | float = 1.0
    if collector.fibre.darkening_db_per_km_per_year != 0.0:
        left = fibre_losses.darkening_transmittance(collector.fibre, ds["since_start_s"].values)
    return left if collector.radiation is None else left * fibre_left(collector, ds["since_start_s"].values)


def lens_darkening(ds: xr.Dataset, collector: Collector) -> FloatArray | float:
    """What the dose leaves in the lens."""
    return lens_left(collector, ds["since_start_s"].values) if darkens_lens(collector) else 1.0


def front_transmittance(ds: xr.Dataset, collector: Collector) -> FloatArray | float:
    """Film and lens: what all light meets whatever its direction."""
    return shield_film(ds, collector) * lens_darkening(ds, collector)


@dataclass(frozen=True, slots=True)
class Stage:
    """One line of the chain."""

    name: str
    factor: Factor


STAGES: tuple[Stage, ...] = (
    Stage("sunlight", sunlight),
    Stage("eclipse", eclipse),
    Stage("terrain", terrain),
    Stage("atmosphere", atmosphere),
    Stage("projection", projection),
    Stage("shield film", shield_film),
    Stage("dust", dust),
    Stage("acceptance", acceptance),
    Stage("fibre packing", fibre_packing),
    Stage("fibre coupling", fibre_coupling),
    Stage("fibre ends", fibre_ends),
    Stage("fibre attenuation", fibre_attenuation),
    Stage("fibre darkening", fibre_darkening),
)
FIBRE_STAGES = STAGES[-5:]
BEFORE_OPTICS = STAGES[:-6]
LENS_STAGE = Stage("lens darkening", lens_darkening)


def stages_of(collector: Collector) -> tuple[Stage, ...]:
    """The chain of a collector: with a line for its lens where dose darkens it."""
    if not darkens_lens(collector):
        return STAGES
    return (*BEFORE_OPTICS, LENS_STAGE, *STAGES[len(BEFORE_OPTICS) :])


def stage_powers_w(ds: xr.Dataset, collector: Collector) -> tuple[FloatArray, FloatArray]:
    """Power after each stage (time, stage), all units; and delivered by mount (time, mount).

    Every mount starts from area * count * solar irradiance.
    """
    steps, mounts = ds.sizes["time"], len(collector.mounts)
    area_m2 = np.array([mount.count for mount in collector.mounts]) * collector.aperture_area_m2
    power = ds["solar_irradiance_w_m2"].values[:, None] * area_m2[None, :]
    stages = stages_of(collector)
    by_stage = np.empty((steps, len(stages)))
    for column, stage in enumerate(stages):
        factor = np.asarray(stage.factor(ds, collector))
        power = power * (factor[:, None] if factor.ndim == 1 else factor)
        by_stage[:, column] = power.sum(axis=1)
    assert power.shape == (steps, mounts)
    return by_stage, power


def fibre_transmittance(ds: xr.Dataset, collector: Collector) -> FloatArray:
    """All fibre stages together, (time,); where optics have colour too, for light that `attenuation_fraction` stands for."""
    total = np.ones(ds.sizes["time"])
    for stage in FIBRE_STAGES:
        grey = stage.factor is fibre_attenuation
        total = total * (attenuation_fraction(collector) if grey else stage.factor(ds, collector))
    return total


def mount_fibre_transmittance(ds: xr.Dataset, collector: Collector) -> FloatArray:
    """All fibre stages together for the light that each mount's optics let through, (time, mount)."""
    total = np.ones((ds.sizes["time"], len(collector.mounts)))
    for stage in FIBRE_STAGES:
        factor = np.asarray(stage.factor(ds, collector))
        total = total * (factor[:, None] if factor.ndim == 1 else factor)
    return total


def sun_following_power_w(ds: xr.Dataset, collector: Collector) -> FloatArray:
    """What ideal Sun-following apertures of the same area and losses would deliver, (time,).

    The same beam, film, dust and fibre, always at normal incidence: no cosine, acceptance as on the normal, disc included.
    """
    area_m2 = np.array([mount.count for mount in collector.mounts]) * collector.aperture_area_m2
    dusty = np.broadcast_to(np.asarray(dust(ds, collector)), (ds.sizes["time"], len(area_m2))) @ area_m2
    radius_deg = ds["sun_angular_radius_deg"].values
    # the disc's radius drifts over months; on Mercury, behind the narrowest optics, straight lines between so many cost 2e-4
    radii_deg = np.linspace(radius_deg.min(), radius_deg.max(), 33)
    accepted = np.interp(radius_deg, radii_deg, normal_acceptance(energy_acceptance(collector), radii_deg))
    optics = front_transmittance(ds, collector) * accepted * fibre_transmittance(ds, collector)
    return np.asarray(ds["beam_irradiance_w_m2"].values * dusty * optics)
