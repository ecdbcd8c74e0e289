"""What the light at the fibre's end is worth to eyes and plants: sunlight's figures, changed by the optics and the fibre."""

from __future__ import annotations

from typing import Final

import numpy as np
import xarray as xr

from yieldsim.base.model import AttenuationTable, Collector
from yieldsim.base.numerics.vectors import direction_enu_xyz
from yieldsim.base.results.parts import LightResult
from yieldsim.energy.fibre import SPECTRAL_BANDS, transmittance_by_wavelength
from yieldsim.energy.incidence import sun_in_mount_xyz
from yieldsim.energy.spectral_transmittance import band_transmittance
from yieldsim.optics.accepted_spectrum import (
    LONGEST_NM,
    SHORTEST_NM,
    LightSpectrum,
    accepted_spectrum,
    spectrum_from,
)
from yieldsim.optics.accepted_spectrum import SUNLIGHT as SUNLIGHT_SPECTRUM
from yieldsim.optics.photometry import SUNLIGHT, LightFigures, filtered_sunlight


def delivered_light(collector: Collector, light: LightSpectrum | None = None) -> LightFigures:
    """Lumens and photosynthetic photons per watt delivered.

    light   what enters the fibre, by wavelength; the mean over the optics' acceptance when None
    By the bands of the acceptance table and the fibre's attenuation by wavelength, so far as the collector has them; those
    of extraterrestrial sunlight where it has neither. Air and shield film are taken as without colour: the dust of Mars
    reddens the direct beam by a few per cent of either figure.
    """
    fibre = collector.fibre
    table = fibre.attenuation if fibre is not None else None
    light = light or accepted_spectrum(collector.acceptance_table)
    if fibre is not None and isinstance(table, AttenuationTable):
        edges, transmittance = transmittance_by_wavelength(fibre.length_m, table, light)
        return filtered_sunlight(edges, light.levels(edges) * transmittance)
    if collector.acceptance_table.bands is None:
        return SUNLIGHT
    edges = light.between(np.geomspace(SHORTEST_NM, LONGEST_NM, 2 * SPECTRAL_BANDS + 1))
    return filtered_sunlight(edges, light.levels(edges))


GREY: Final = "grey optics"
BY_BAND: Final = "optics by band"


def light_basis(collector: Collector) -> str:
    """Whether the light's colour takes account of the optics."""
    return GREY if collector.acceptance_table.bands is None else BY_BAND


def spectrum_of_run(ds: xr.Dataset, collector: Collector) -> LightSpectrum:
    """Colour of the light that entered the fibres over a run, each direction of the Sun by what it delivered.

    ds   a run's series with solar_azimuth_deg, solar_elevation_deg and mount_delivered_power_w
    """
    table = collector.acceptance_table
    if table.bands is None:
        return SUNLIGHT_SPECTRUM
    sun = direction_enu_xyz(ds["solar_azimuth_deg"].values, ds["solar_elevation_deg"].values)
    power = ds["mount_delivered_power_w"].values
    directions, weights = [], []
    for column, mount in enumerate(collector.mounts):
        lit = power[:, column] > 0.0
        directions.append(sun_in_mount_xyz(sun[lit], mount.tilt_deg, mount.azimuth_deg, mount.roll_deg))
        weights.append(power[lit, column])
    kept = band_transmittance(table, collector.fibre)
    return spectrum_from(table, np.concatenate(directions), np.concatenate(weights), kept)


def light_words(light: LightFigures) -> LightResult:
    """What a watt of the light is worth, as results name it."""
    return {
        "luminous_efficacy_lm_per_w": light.luminous_efficacy_lm_per_w,
        "photon_yield_umol_per_j": light.photon_yield_umol_per_j,
    }
