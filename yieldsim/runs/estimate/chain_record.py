"""What a mount turned after the run is computed with: the constants of the chain, and the dust of a level aperture.

A saved estimate holds the Sun, the skyline and the light of every row. With this record beside them another tilt, azimuth
and roll can be worked out from the file alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.dataset import add
from yieldsim.base.results.attached import row_of
from yieldsim.base.results.estimate import AirResult, ChainResult, DustLawResult
from yieldsim.energy import chain, soiling
from yieldsim.energy.spectral_transmittance import attenuation_fraction, energy_acceptance
from yieldsim.sky.ellipsoid import planetographic_deg

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.energy.integration import Setting, TimeGrid

DUST_STEPS = 4
"""Moments of a row over which its dust load is averaged."""


def add_chain_series(ds: xr.Dataset, setting: Setting, grid: TimeGrid) -> xr.Dataset:
    """Add dust_load_days, and acceptance_energy_fraction where optics and fibre depend on wavelength together."""
    history = setting.dust_history(0.0)
    if history is not None:
        _, tdb_s = grid.fine(0, grid.count, DUST_STEPS)
        load = soiling.load_at(history, tdb_s).reshape(grid.count, DUST_STEPS).mean(axis=1)
        ds = add(ds, "dust_load_days", load)
    table, own = energy_acceptance(setting.collector), setting.collector.acceptance_table
    if table != own:
        like = (
            "acceptance_curve_fraction" if "acceptance_curve_fraction" in ds else "acceptance_grid_fraction"
        )
        words = {
            "units": "1",
            "long_name": "acceptance that energies are computed with, the fibre's colour in it",
        }
        values = np.array(table.acceptance_fraction)
        ds = ds.assign_coords(acceptance_energy_fraction=(ds[like].dims, values, words))
    return ds


def chain_words(setting: Setting) -> ChainResult:
    """Constants of the chain, the law of dust, and where the local vertical and the bare horizon lie."""
    site, collector, body = setting.site, setting.collector, setting.site.body
    none: Any = None
    air: AirResult | None = None
    if site.optical_depth is not None and body.atmosphere_scale_height_km is not None:
        air = {"scale_height_km": body.atmosphere_scale_height_km, "radius_km": body.mean_radius_km}
    return {
        "latitude_planetographic_deg": float(
            planetographic_deg(site.latitude_deg, body.equatorial_radius_km, body.polar_radius_km)
        ),
        "mean_solar_day_hours": body.mean_solar_day_hours,
        "horizon_dip_deg": setting.dip_deg,
        "air": air,
        "acceptance_source": collector.acceptance_table.source,
        "film_transmittance": chain.shield_film(none, collector),
        "fibre_packing": chain.fibre_packing(none, collector),
        "fibre_coupling": chain.fibre_coupling(none, collector),
        "fibre_ends": chain.fibre_ends(none, collector),
        "fibre_attenuation": attenuation_fraction(collector),
        "dust": None if site.dust is None else row_of(site.dust, DustLawResult),
    }
