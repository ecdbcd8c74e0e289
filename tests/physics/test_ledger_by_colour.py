"""The ledger of coloured optics and a coloured fibre: each line by a sum over bands, rows and directions done by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import yieldsim
from yieldsim.base.model import AcceptanceBands, AttenuationTable, Fibre
from yieldsim.base.solar_spectrum import band_weights

SITE = Path(__file__).resolve().parents[2] / "sites" / "lantern-ridge.toml"
SPAN = ("2027-06-01", "2027-07-01")
BANDS = ((400.0, 550.0), (550.0, 1100.0))
WEIGHTS = np.array([float(band_weights(ends)[0]) for ends in BANDS])
DB_PER_KM = (100.0, 10.0)
LENGTH_M, PACKING = 100.0, 0.8
KEPT = 10.0 ** (-np.array(DB_PER_KM) * LENGTH_M / 1e4)
ANGLES = np.array([0.0, 10.0, 20.0, 30.0])
BLUE, RED = np.array([0.2, 0.5, 0.7, 0.0]), np.array([0.9, 0.8, 0.1, 0.0])
MOUNTS = (
    yieldsim.Mount(tilt_deg=88.0, azimuth_deg=90.0),
    yieldsim.Mount(tilt_deg=80.0, azimuth_deg=120.0, count=3),
)
FIBRE = Fibre(
    length_m=LENGTH_M,
    packing=PACKING,
    end_reflection=0.0,
    coupling=1.0,
    darkening_db_per_km_per_year=30.0,
    attenuation=AttenuationTable(
        wavelength_nm=[400.0, 549.999, 550.001, 1100.0],
        attenuation_db_per_km=[DB_PER_KM[0], DB_PER_KM[0], DB_PER_KM[1], DB_PER_KM[1]],
    ),
)


def table(source: str = "disc") -> yieldsim.RoundAcceptance:
    bands = AcceptanceBands(wavelength_nm=BANDS, acceptance_fraction=[BLUE, RED])
    whole = WEIGHTS @ bands.acceptance_fraction
    return yieldsim.RoundAcceptance(
        incidence_deg=ANGLES, acceptance_fraction=whole, source=source, bands=bands
    )


def grid() -> yieldsim.BiaxialAcceptance:
    along = np.array([1.0, 0.9, 0.0])
    bands = AcceptanceBands(
        wavelength_nm=BANDS, acceptance_fraction=[np.outer(BLUE, along), np.outer(RED, along**2)]
    )
    whole = np.tensordot(WEIGHTS, bands.acceptance_fraction, axes=1)
    return yieldsim.BiaxialAcceptance(
        transverse_deg=ANGLES,
        longitudinal_deg=[0.0, 15.0, 30.0],
        acceptance_fraction=whole,
        source="point",
        bands=bands,
    )


def unit(acceptance: yieldsim.RoundAcceptance | yieldsim.BiaxialAcceptance) -> yieldsim.Collector:
    return yieldsim.Collector(
        name="two bands", aperture_area_m2=0.5, mounts=MOUNTS, acceptance=acceptance, fibre=FIBRE
    )


@pytest.fixture(scope="module")
def run() -> xr.Dataset:
    return yieldsim.estimate(SITE, unit(table()), *SPAN, interval_minutes=30.0)


def ledger(ds: xr.Dataset) -> dict[str, float]:
    return {row["stage"]: row["kwh"] for row in ds.yieldsim.summary["ledger"]}


def test_each_line_is_the_sum_over_bands_and_rows(run: xr.Dataset) -> None:
    """Bands read at each row's middle, times cosine, beam and area; in half an hour the Sun moves a quarter of a degree."""
    incidence = run["incidence_deg"].values
    area_m2 = 0.5 * np.array([mount.count for mount in MOUNTS])
    entering = run["beam_irradiance_w_m2"].values[:, None] * np.maximum(np.cos(np.radians(incidence)), 0.0)
    by_band = np.array(
        [
            (weight * np.interp(incidence, ANGLES, values, right=0.0) * entering * area_m2).sum()
            for weight, values in zip(WEIGHTS, (BLUE, RED), strict=True)
        ]
    )
    kwh = by_band * 0.5 / 1000.0
    found = ledger(run)
    assert found["acceptance"] == pytest.approx(kwh.sum(), rel=2e-3)
    assert found["fibre attenuation"] == pytest.approx((kwh * KEPT).sum() * PACKING, rel=2e-3)
    kept = found["fibre attenuation"] / found["fibre ends"]
    assert kept == pytest.approx((kwh * KEPT).sum() / kwh.sum(), rel=5e-4)


def test_the_last_line_is_what_is_delivered_to_the_last_digit(run: xr.Dataset) -> None:
    np.testing.assert_array_equal(run["stage_power_w"].values[:, -1], run["delivered_power_w"].values)
    assert (np.diff(run["stage_power_w"].values, axis=1) <= 1e-12).all()


@pytest.mark.parametrize("acceptance", [table("point"), grid()], ids=["round", "two angles"])
def test_optics_accept_the_same_whatever_fibre_follows(
    acceptance: yieldsim.RoundAcceptance | yieldsim.BiaxialAcceptance,
) -> None:
    behind = yieldsim.estimate(SITE, unit(acceptance), *SPAN)
    assert ledger(behind)["acceptance"] > 0.1
    alone = yieldsim.estimate(SITE, replace(unit(acceptance), fibre=None), *SPAN)
    np.testing.assert_allclose(
        behind["stage_power_w"].sel(stage="acceptance"),
        alone["stage_power_w"].sel(stage="acceptance"),
        rtol=1e-9,
    )


def test_each_mounts_fibre_is_that_of_its_own_light(run: xr.Dataset) -> None:
    fibre, delivered = run["mount_fibre_transmittance"].values, run["mount_delivered_power_w"].values
    entering = run["stage_power_w"].sel(stage="acceptance").values
    np.testing.assert_allclose((delivered / fibre).sum(axis=1), entering, rtol=1e-12)
    assert np.ptp(fibre[delivered > 0.0]) > 0.2
    dark = (delivered == 0.0).all(axis=1)
    np.testing.assert_array_equal(fibre[dark, 0], run["fibre_transmittance"].values[dark])
    assert "mount1_fibre_transmittance" in yieldsim_columns(run)


def yieldsim_columns(ds: xr.Dataset) -> list[str]:
    from yieldsim.files.output.dataset import hourly_frame

    return list(hourly_frame(ds).columns)


def test_no_fibre_gives_back_more_than_it_takes() -> None:
    """Light outside the bands is what they leave of the whole: none where they make it up, all where they see nothing."""
    from yieldsim.energy.spectral_transmittance import attenuation_fraction, energy_acceptance

    bands = AcceptanceBands(wavelength_nm=BANDS, acceptance_fraction=[[0.9, 0.0, 0.0], [0.9, 0.0, 0.0]])
    inside = WEIGHTS @ bands.acceptance_fraction
    outside = np.array([0.0, 0.2, 0.0])
    acceptance = yieldsim.RoundAcceptance(
        incidence_deg=[0.0, 5.0, 30.0], acceptance_fraction=inside + outside, source="disc", bands=bands
    )
    clear = replace(
        FIBRE, attenuation=AttenuationTable(wavelength_nm=[300.0, 4000.0], attenuation_db_per_km=[1.0, 1.0])
    )
    collector = replace(unit(acceptance), fibre=clear)
    through = attenuation_fraction(collector) * energy_acceptance(collector).acceptance_fraction
    kept = 10.0 ** (-1.0 * LENGTH_M / 1e4)
    np.testing.assert_allclose(through[0], kept * inside[0], rtol=1e-6)
    assert 0.0 < through[1] < kept * 0.2  # sunlight beyond the fibre's table is lost
