"""Beam on the mounts: irradiance facing the Sun, and the Sun in each mount's own axes."""

from __future__ import annotations

import numpy as np
import xarray as xr

from yieldsim.base.constants import SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.dataset import add, add_all
from yieldsim.base.model import Collector
from yieldsim.base.numerics.vectors import FloatArray, direction_enu_xyz, mount_axes_enu_xyz
from yieldsim.energy.spectral_transmittance import attenuation_fraction, energy_acceptance
from yieldsim.optics.acceptance import acceptance_at


def add_beam(ds: xr.Dataset) -> xr.Dataset:
    """Add solar_irradiance_w_m2 (1361 W/m2 over the squared distance) and beam_irradiance_w_m2 (direct light facing the Sun).

    Only direct light counts: a concentrator of a few degrees' acceptance takes next to nothing of the sky's diffuse light.
    """
    irradiance = SOLAR_IRRADIANCE_1AU_W_M2 / ds["sun_distance_au"].values ** 2
    beam = irradiance * ds["disc_visible_fraction"].values
    if "beam_transmittance" in ds:
        beam = beam * ds["beam_transmittance"].values
    return add_all(ds, {"solar_irradiance_w_m2": irradiance, "beam_irradiance_w_m2": beam})


def sun_in_mount_xyz(
    sun_enu_xyz: FloatArray, tilt_deg: float, azimuth_deg: float, roll_deg: float
) -> FloatArray:
    """Sun directions (time, 3) in a mount's axes: transverse, longitudinal, normal."""
    axes = mount_axes_enu_xyz(tilt_deg, azimuth_deg, roll_deg)
    # by hand and column by column: a matrix product this thin spends its time in the library's threads, rows of three in their turns
    east, north, up = sun_enu_xyz.T
    return np.stack([east * e + north * n + up * u for e, n, u in axes], axis=1)


def incidence_of_deg(sun_mount_xyz: FloatArray) -> FloatArray:
    """Angle from the normal, degrees, by atan2 (arccos loses small angles)."""
    across = np.hypot(sun_mount_xyz[:, 0], sun_mount_xyz[:, 1])
    return np.asarray(np.degrees(np.arctan2(across, sun_mount_xyz[:, 2])))


def add_incidence(ds: xr.Dataset, collector: Collector) -> xr.Dataset:
    """Add incidence_deg (time, mount)."""
    sun = direction_enu_xyz(ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values)
    incidence = [
        incidence_of_deg(sun_in_mount_xyz(sun, mount.tilt_deg, mount.azimuth_deg, mount.roll_deg))
        for mount in collector.mounts
    ]
    return add(ds, "incidence_deg", np.stack(incidence, axis=1), ("time", "mount"))


def add_acceptance(ds: xr.Dataset, collector: Collector) -> xr.Dataset:
    """Add acceptance_fraction (time, mount), averaged over the Sun's disc; 0 wherever the beam is 0.

    Where optics and fibre depend on wavelength, fibre_length_transmittance (time, mount) too: what the new fibre's length keeps of
    the light of that direction, so that the product of both is that of `energy_acceptance`.

    The whole disc counts, also where the skyline hides a part of it. Over a polar year in which the Sun rolls along a jagged skyline
    that costs 1.6, 0.7, 0.2 and 0.07 % of the energy for half-widths of 0.5, 1, 2 and 3 deg, always too little (computed, against
    sums over the points of the disc).
    """
    sun = direction_enu_xyz(ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values)
    lit = np.flatnonzero(ds["beam_irradiance_w_m2"].values > 0.0)
    radius_deg = ds["sun_angular_radius_deg"].values[lit]
    accepted = np.zeros((ds.sizes["time"], len(collector.mounts)))
    table, energy = collector.acceptance_table, energy_acceptance(collector)
    reference = attenuation_fraction(collector)
    kept = None if energy == table else np.full_like(accepted, reference)
    for column, mount in enumerate(collector.mounts):
        direction = sun_in_mount_xyz(sun[lit], mount.tilt_deg, mount.azimuth_deg, mount.roll_deg)
        whole = acceptance_at(table, direction, radius_deg, sampled_as=energy)
        accepted[lit, column] = whole
        if kept is not None:
            seen = whole > 0.0
            through = reference * acceptance_at(energy, direction[seen], radius_deg[seen])
            kept[lit[seen], column] = np.minimum(through / whole[seen], 1.0)  # beyond by rounding
    ds = add(ds, "acceptance_fraction", accepted, ("time", "mount"))
    return ds if kept is None else add(ds, "fibre_length_transmittance", kept, ("time", "mount"))
