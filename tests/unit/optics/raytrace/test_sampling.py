"""The lattice, the spectrum's equal shares, the Sun's disc, and curves built on them."""

from __future__ import annotations

import math

import numpy as np
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import norm

from yieldsim.base.numerics.interpolation import falls_to_deg
from yieldsim.base.prescription_model import Band, FibreFace, Funnel, Lens, Prescription
from yieldsim.base.solar_spectrum import energy_below_fraction
from yieldsim.base.sun_disc import LIMB_DARKENING
from yieldsim.optics.etendue import projected_acceptance_sr
from yieldsim.optics.etendue_ledger import etendue_ledger
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.acceptance_trace import Ways, table_of, trace_curve
from yieldsim.optics.raytrace.ray_launch import normal_deviate
from yieldsim.optics.raytrace.sampling import (
    GENERATOR,
    SIZES,
    WAVELENGTHS,
    disc_radius_table,
    equal_energy_wavelengths,
    lattice_size,
    random_shifts,
)
from yieldsim.optics.raytrace.scene import Scene, build_scene
from yieldsim.optics.raytrace.tracer import record


def test_lattice_projects_evenly_on_every_coordinate() -> None:
    """A lattice of N points, N a prime, visits each of N even places once."""
    for points in SIZES:
        index = np.arange(points)
        for generator in GENERATOR:
            assert_array_equal(np.sort(index * generator % points), index)


def test_lattice_integrates_smooth_functions_far_better_than_chance() -> None:
    """Product of six cosines-plus-one with mean 1: the error falls well under 1/sqrt(N)."""
    points = lattice_size(4096)
    u = (np.arange(points)[:, None] * GENERATOR[None, :6] % points) / points
    shift = random_shifts(1, 3, points)[0, :6]
    value = np.prod(1.0 + 0.5 * np.cos(2.0 * math.pi * (u + shift)), axis=1).mean()
    assert abs(value - 1.0) < 0.2 / math.sqrt(points)


def test_sizes_share_no_factor_with_groove_counts() -> None:
    """Primes, each about twice the one before."""
    for points in SIZES:
        assert all(points % factor for factor in range(2, math.isqrt(points) + 1))
    ratio = np.array(SIZES[1:]) / SIZES[:-1]
    assert ratio.min() > 1.7
    assert ratio.max() < 2.3


def test_normal_deviates() -> None:
    """Against scipy over the whole range; tolerance: what the approximation states."""
    share = np.concatenate(
        [np.geomspace(1e-12, 1e-2, 50), np.linspace(0.01, 0.99, 99), 1.0 - np.geomspace(1e-9, 1e-2, 50)]
    )
    assert_allclose([normal_deviate(one) for one in share], norm.ppf(share), rtol=2e-8, atol=2e-8)


def test_wavelengths_stand_for_equal_shares() -> None:
    wavelengths, share = equal_energy_wavelengths(300.0, 2500.0)
    low, high = energy_below_fraction([300.0, 2500.0])
    assert_allclose(share, high - low, rtol=1e-12)
    places = (energy_below_fraction(wavelengths) - low) / share
    assert_allclose(places, (np.arange(WAVELENGTHS) + 0.5) / WAVELENGTHS, atol=2e-5)


def test_disc_radius_follows_the_limb_darkening() -> None:
    """Mean of r^2 over the disc's light by its own integral: with mu^2 = 1 - r^2 and I = sum a_k mu^k,
    the light is 2 sum a_k / (k + 2) and the mean of r^2 is 1 - [2 sum a_k / (k + 4)] / light."""
    k = np.arange(len(LIMB_DARKENING))
    light = 2.0 * np.sum(np.array(LIMB_DARKENING) / (k + 2))
    expected = 1.0 - 2.0 * np.sum(np.array(LIMB_DARKENING) / (k + 4)) / light
    table = disc_radius_table()
    middle = 0.5 * (table[1:] + table[:-1])
    assert_allclose((middle**2).mean(), expected, rtol=1e-4)


def open_tube(width: float, na: float) -> Scene:
    """A short perfect tube onto a fibre of its own width: acceptance 1 within the cone, 0 outside."""
    funnel = Funnel(
        kind="mirror", shape="straight", section="round", mouth_width_m=width, outlet_width_m=width, length_m=1e-4,
        reflectance=1.0,
    )  # fmt: skip
    fibre = FibreFace(section="round", width_m=width * 1.0001, length_m=width, numerical_aperture=na)
    return build_scene(
        Prescription(name="tube", lens=Lens(kind="none"), funnel=funnel, fibre=fibre, band=Band())
    )


def test_rays_fill_the_suns_disc_and_the_aperture() -> None:
    """Mean square radius of the aperture is R^2 / 2; directions lie within the disc (uniform density)."""
    scene = open_tube(0.02, 1.0)
    seen = record(scene, np.array([0.0, 0.0, 1.0]), rays=8192, sun_radius_deg=0.2665)
    assert_allclose((seen.mouth_x_m**2 + seen.mouth_y_m**2).mean(), 0.01**2 / 2.0, rtol=1e-3)
    assert seen.face_sine.max() <= math.sin(math.radians(0.2665)) * (1.0 + 1e-9)
    k = np.arange(len(LIMB_DARKENING))
    light = np.sum(np.array(LIMB_DARKENING) / (k + 2))
    mean_r2 = 1.0 - np.sum(np.array(LIMB_DARKENING) / (k + 4)) / light
    assert_allclose((seen.face_sine**2).mean() / math.radians(0.2665) ** 2, mean_r2, rtol=2e-3)


def test_curve_finds_a_hard_edge() -> None:
    """NA 0.5 is a cone of 30 degrees: the curve is flat, falls there and ends; its etendue is pi NA^2 of
    the face."""
    scene = open_tube(0.02, 0.5)
    curve = trace_curve(scene, Ways(0.002))
    band = float(scene.parts.station[0]["band_share"])
    accepted = curve.share[:, loss_causes.DELIVERED]
    assert_allclose(accepted[curve.angle_deg < 29.5], band, atol=1e-12)
    assert_allclose(falls_to_deg(curve.angle_deg, accepted, 0.5), 30.0, atol=0.05)
    assert accepted[-1] == 0.0
    assert np.all(np.diff(curve.angle_deg) > 0.0)
    assert_allclose(curve.share.sum(axis=1), 1.0, atol=1e-12)
    assert_allclose(projected_acceptance_sr(table_of(curve, False)), band * math.pi * 0.25, rtol=2e-3)


def test_etendue_ledger_adds_up() -> None:
    scene = open_tube(0.02, 0.5)
    prescription = Prescription(
        name="tube",
        lens=Lens(kind="none"),
        funnel=Funnel(
            kind="mirror", shape="straight", section="round", mouth_width_m=0.02, outlet_width_m=0.02, length_m=1e-4,
        ),
        fibre=FibreFace(section="round", width_m=0.02, length_m=0.02, numerical_aperture=0.5),
    )  # fmt: skip
    ledger = etendue_ledger(prescription, trace_curve(scene, Ways(0.002)))
    assert_allclose(ledger.offered, ledger.used + sum(value for _, value in ledger.lost), rtol=1e-12)
    assert_allclose(ledger.limit, math.pi * 0.25 * math.pi * 0.01**2, rtol=1e-12)
    # all that the fibre takes is filled, but for the sunlight outside the band
    assert_allclose(ledger.used_fraction, float(scene.parts.station[0]["band_share"]), rtol=2e-3)
