"""The demo collectors obey the etendue limit, and the built-in bodies' days follow from their rates."""

from __future__ import annotations

import math
import tomllib

import numpy as np
import pytest

from yieldsim.base.model import RoundAcceptance
from yieldsim.files.inputs.readers import read_body, read_collector
from yieldsim.files.text.bundled import sites_folder

COLLECTORS = sorted(sites_folder().glob("*.collector.toml"))


@pytest.mark.parametrize("path", COLLECTORS, ids=lambda path: path.name)
def test_demo_collectors_keep_the_etendue_limit(path) -> None:
    """Area x integral of acceptance x cos over the hemisphere is at most pi NA^2 x face area."""
    collector = read_collector(path).noun
    acceptance, fibre = collector.acceptance, collector.fibre
    assert isinstance(acceptance, RoundAcceptance)
    assert fibre is not None
    angle = np.radians(np.linspace(0.0, acceptance.incidence_deg[-1], 100_001))
    curve = np.interp(np.degrees(angle), acceptance.incidence_deg, acceptance.acceptance_fraction)
    used_m2_sr = collector.aperture_area_m2 * np.trapezoid(
        curve * np.cos(angle) * 2 * np.pi * np.sin(angle), angle
    )
    face_m2 = math.pi / 4.0 * (fibre.face_diameter_mm * 1e-3) ** 2
    limit_m2_sr = math.pi * fibre.numerical_aperture**2 * face_m2
    assert 0.5 * limit_m2_sr < used_m2_sr < limit_m2_sr
    # a funnel that gathers light has an aperture wider than its outlet
    assert collector.aperture_area_m2 > face_m2


@pytest.mark.parametrize(
    ("name", "half_angle_deg"), [("narrow.collector.toml", 3.0), ("wide.collector.toml", 20.0)]
)
def test_demo_acceptance_half_angles(name: str, half_angle_deg: float) -> None:
    """Half of the value at normal incidence is met where the file says; 2 % for the steps of the table."""
    acceptance = read_collector(sites_folder() / name).noun.acceptance
    assert isinstance(acceptance, RoundAcceptance)
    half = acceptance.acceptance_fraction[0] / 2.0
    met = np.interp(-half, -acceptance.acceptance_fraction, acceptance.incidence_deg)
    assert met == pytest.approx(half_angle_deg, rel=0.02)


@pytest.mark.parametrize(
    ("name", "orbit_deg_per_century"),
    [("mercury", 149472.67411175), ("mars", 19140.30268499), ("moon", 35999.37244981)],
)
def test_mean_solar_day_follows_from_rotation_and_orbit(name: str, orbit_deg_per_century: float) -> None:
    """360 / (rotation - orbit) days.

    Mean motions (the Earth-Moon barycentre's for the Moon): Standish, approximate positions of the planets,
    JPL (from memory). They hold to 1e-6 over centuries, hence the tolerance.
    """
    body = read_body(name).noun
    rate = body.rotation.prime_meridian_deg[1] - orbit_deg_per_century / 36525.0
    assert body.mean_solar_day_hours == pytest.approx(24.0 * 360.0 / rate, rel=1e-6)


def test_moon_series_as_published() -> None:
    """Zero terms of the published series are left out of the file; the others are 7, 8 and 13."""
    rotation = read_body("moon").noun.rotation
    terms = (rotation.right_ascension_terms, rotation.declination_terms, rotation.prime_meridian_terms)
    assert [len(rows) for rows in terms] == [7, 8, 13]
    # phase and rate of one argument are the same wherever it appears
    rates: dict[float, float] = {}
    for row in (row for rows in terms for row in rows):
        assert rates.setdefault(row[1], row[2]) == row[2]


def test_demo_files_say_what_they_are() -> None:
    for path in sites_folder().glob("*.toml"):
        text = path.read_text(encoding="utf-8")
        assert text.startswith("#"), path.name
        assert tomllib.loads(text), path.name
