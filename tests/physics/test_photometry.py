"""Lumens and photosynthetic photons of delivered light, and published needs of habitats worked through."""

from __future__ import annotations

import numpy as np
import pytest
from agreement import habitat, limits
from agreement import optics as agreed
from agreement.published import columns, table, value

from yieldsim.base.model import AttenuationTable, Collector, Fibre, Mount, RoundAcceptance
from yieldsim.energy.delivered_light import delivered_light
from yieldsim.optics.photometry import SUNLIGHT, photopic
from yieldsim.planning.habitat.load_profile import Rows

ALL_NM = np.linspace(100.0, 40_000.0, 40_000)


def one_day(hours: int = 24) -> Rows:
    start = np.datetime64("2027-01-01", "ns")
    return Rows(
        edge_utc=start + np.arange(hours + 1) * np.timedelta64(1, "h"),
        solar_time_hours=(np.arange(hours) + 0.5) % 24.0,
        solar_longitude_deg=np.zeros(hours),
        shield_power_w=np.zeros(hours),
    )


def test_photopic_curve_is_the_published_one() -> None:
    # kept to five digits
    assert agreed.photopic_curve() <= 1e-6
    nm, efficiency = columns("cie_1924_photopic.csv").values()
    inside = (nm >= 380.0) & (nm <= 780.0)
    # linear between rows 10 nm apart: the steepest bend is off by 0.004 of 1
    np.testing.assert_allclose(photopic(nm[inside]), efficiency[inside], rtol=0.0, atol=0.011)
    assert photopic(np.array([379.0, 781.0])).tolist() == [0.0, 0.0]


def test_bands_of_the_spectrum_give_the_figures_of_the_whole_table() -> None:
    """From 46 bands instead of 2002 rows, 2e-4 of each."""
    assert pytest.approx(value("sunlight-lumens")) == SUNLIGHT.luminous_efficacy_lm_per_w
    assert pytest.approx(value("sunlight-photons")) == SUNLIGHT.photon_yield_umol_per_j
    assert limits.sunlight_lumens() == pytest.approx(value("sunlight-lumens"), rel=3e-4)
    assert limits.sunlight_photons() == pytest.approx(value("sunlight-photons"), rel=3e-4)


def test_sunlight_agrees_with_a_published_luminance() -> None:
    """Terrien & Desvignes, La photometrie, p. 34: 1.96e9 cd/m2 over 2.04e7 W/m2/sr; 2 % is the age of their radiance."""
    assert pytest.approx(value("sunlight-efficacy"), rel=0.02) == SUNLIGHT.luminous_efficacy_lm_per_w


def test_sunlight_figures_from_the_measured_spectrum() -> None:
    """The constants, from the extraterrestrial column of ASTM G173-03 where the package that ships it is installed."""
    colour = pytest.importorskip("colour", reason="colour-science (ASTM G173-03, CIE 1924) is not installed")
    from colour.plotting.datasets.astm_g_173 import DATA_ASTMG173_ETR

    nm = np.array(sorted(DATA_ASTMG173_ETR))
    power = np.array([DATA_ASTMG173_ETR[key] for key in nm])
    observer = colour.colorimetry.SDS_LEFS["CIE 1924 Photopic Standard Observer"]
    v = np.interp(nm, observer.wavelengths, observer.values, left=0.0, right=0.0)
    lumens = 683.002 * np.trapezoid(power * v, nm)
    assert lumens / 1361.0 == pytest.approx(SUNLIGHT.luminous_efficacy_lm_per_w, abs=0.005)
    inside = (nm >= 400.0) & (nm <= 700.0)
    photons = power * nm * 1e-9 / (6.62607015e-34 * 299792458.0 * 6.02214076e23) * 1e6
    assert np.trapezoid(photons[inside], nm[inside]) / 1361.0 == pytest.approx(
        SUNLIGHT.photon_yield_umol_per_j, abs=5e-5
    )


def test_a_filter_of_the_measured_spectrum() -> None:
    """400-1100 nm of the same column, summed outside this package."""
    assert limits.silicon_band_lumens() == pytest.approx(value("silicon-band-lumens"), rel=5e-4)
    assert limits.silicon_band_photons() == pytest.approx(value("silicon-band-photons"), rel=5e-4)


def unit(fibre: Fibre | None = None) -> Collector:
    """A collector of colourless optics."""
    table = RoundAcceptance(incidence_deg=[0, 10, 12], acceptance_fraction=[0.8, 0.7, 0.0], source="disc")
    mount = Mount(tilt_deg=0.0, azimuth_deg=0.0)
    return Collector(name="grey", aperture_area_m2=1.0, mounts=(mount,), acceptance=table, fibre=fibre)


def test_a_flat_fibre_changes_nothing_and_a_red_one_does() -> None:
    assert delivered_light(unit()) == SUNLIGHT
    assert delivered_light(unit(Fibre(length_m=30.0, attenuation=8.0))) == SUNLIGHT
    table = AttenuationTable(
        wavelength_nm=np.array([300.0, 500.0, 900.0, 4000.0]),
        attenuation_db_per_km=np.array([2000.0, 400.0, 10.0, 10.0]),
    )
    red = delivered_light(unit(Fibre(length_m=50.0, attenuation=table)))
    assert red.luminous_efficacy_lm_per_w < SUNLIGHT.luminous_efficacy_lm_per_w
    # the photopic curve sits on the blue side of the photosynthetic band
    lost_lm = red.luminous_efficacy_lm_per_w / SUNLIGHT.luminous_efficacy_lm_per_w
    lost_umol = red.photon_yield_umol_per_j / SUNLIGHT.photon_yield_umol_per_j
    assert lost_lm < lost_umol < 1.0


# ---------------------------------------------------------------- published needs, worked through


@pytest.mark.parametrize("row", table("salad_crops.csv"), ids=lambda row: row["flux_umol_m2_s"])
def test_salad_crops_of_the_station_studies(row: dict[str, str]) -> None:
    """Photosynthetic photon fluxes for 16 h: lettuce, radish and green onion at those studied for the space station."""
    flux = float(row["flux_umol_m2_s"])
    mol, power_w = habitat.daily_mol(flux)
    assert mol == pytest.approx(flux * 16.0 * 3600.0 / 1e6, rel=1e-12)
    # as printed: 17.28 is cut to 17.2
    assert mol == pytest.approx(float(row["daily_mol_m2"]), abs=0.09)
    # 300 umol/s/m2 of unfiltered sunlight are 169 W/m2 at the leaf
    assert power_w == pytest.approx(flux / SUNLIGHT.photon_yield_umol_per_j, rel=1e-12)
