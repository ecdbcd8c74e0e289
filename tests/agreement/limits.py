"""Our limits, losses, heat and light figures where a line of arithmetic gives them."""

from __future__ import annotations

import numpy as np

from agreement.compare import ours
from agreement.optics import SIDES, designed_slope_deg
from agreement.published import columns, half_digit, table
from yieldsim.base.solar_spectrum import band_weights
from yieldsim.energy.fibre import attenuation_transmittance
from yieldsim.files.prescription.material_database import plain_material
from yieldsim.optics.etendue import largest_concentration
from yieldsim.optics.photometry import LightFigures, filtered_sunlight
from yieldsim.optics.steady_temperatures import radiative_balance_k

ALL_NM = np.linspace(100.0, 40_000.0, 40_000)


@ours("facet-slope")
def facet_slope() -> float:
    given = columns("facet_transmittance.csv")
    return max(
        float(np.abs(designed_slope_deg(given["turn_deg"], side) - given[f"slope_{side}_deg"]).max())
        for side in SIDES
    )


@ours("fibre-concentration")
def fibre_concentration() -> float:
    """Largest difference in units of the last printed digit."""
    worst = 0.0
    for row in table("numerical_apertures.csv"):
        found = largest_concentration(float(row["half_angle_deg"]), float(row["numerical_aperture"]))
        given = row["concentration"]
        worst = max(worst, abs(found - float(given)) / (2.0 * half_digit(given)))
    return worst


@ours("fibre-losses")
def fibre_losses() -> float:
    given = columns("fibre_losses.csv")
    found = attenuation_transmittance(given["attenuation_db_per_km"] * given["length_m"] / 1000.0)
    return float(np.abs(found - given["transmittance"]).max())


@ours("radiative-balance")
def radiative_balance() -> float:
    """Largest difference, K: of a face of a square metre and what it loses."""
    return max(
        abs(
            radiative_balance_k(
                float(row["absorbed_w_m2"]), [(float(row["emittance"]), float(row["sink_k"]))]
            )
            - float(row["temperature_k"])
        )
        for row in table("radiative_balance.csv")
    )


@ours("pmma-colours-wide")
def pmma_colours_wide() -> float:
    """Spread of 1 / (n - 1), the focal length of a thin lens, over its value in the middle."""
    n = plain_material("pmma").index_at(np.array([450.0, 587.56, 1050.0]))
    return float((n[0] - n[2]) / (n[1] - 1.0))


# ---------------------------------------------------------------- figures of light


def figures(low_nm: float, high_nm: float) -> LightFigures:
    """Of sunlight between two wavelengths, from the package's bands."""
    edges = ALL_NM if low_nm <= ALL_NM[0] else np.linspace(low_nm, high_nm, 1401)
    return filtered_sunlight(edges, np.ones(edges.size - 1))


@ours("sunlight-lumens")
def sunlight_lumens() -> float:
    return float(figures(100.0, 40_000.0).luminous_efficacy_lm_per_w)


@ours("sunlight-photons")
def sunlight_photons() -> float:
    return float(figures(100.0, 40_000.0).photon_yield_umol_per_j)


@ours("sunlight-par")
def sunlight_par() -> float:
    return float(band_weights([400.0, 700.0])[0])


@ours("silicon-band-lumens")
def silicon_band_lumens() -> float:
    return float(figures(400.0, 1100.0).luminous_efficacy_lm_per_w)


@ours("silicon-band-photons")
def silicon_band_photons() -> float:
    return float(figures(400.0, 1100.0).photon_yield_umol_per_j)
