"""Two discs: what one hides of the other, what an observer calls it, where the other stands."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.base.numerics.vectors import azimuth_elevation_deg, direction_enu_xyz
from yieldsim.sky.eclipse import covered_fraction, eclipse_kind, offsets_deg

RADIUS = st.floats(0.05, 3.0)


@pytest.mark.parametrize(
    ("separation", "occulter", "fraction", "kind"),
    [
        (2.5, 1.0, 0.0, "none"),
        (2.0, 1.0, 0.0, "none"),
        (0.0, 1.0, 1.0, "umbra"),
        (0.5, 1.5, 1.0, "umbra"),
        (0.2, 0.5, 0.25, "annular"),
        (0.0, 0.9, 0.81, "annular"),
        (1.0, 1.0, 2.0 / 3.0 - np.sqrt(3.0) / (2.0 * np.pi), "penumbra"),
        (1.0, 0.0, 0.0, "none"),
    ],
)
def test_known_cases(separation: float, occulter: float, fraction: float, kind: str) -> None:
    """Two equal circles through each other's centres share 2/3 - sqrt(3) / (2 pi) = 0.3910 of their area: geometry."""
    assert covered_fraction(separation, 1.0, occulter) == pytest.approx(fraction, abs=1e-12)
    assert str(eclipse_kind(separation, 1.0, occulter)) == kind


@given(st.floats(0.0, 7.0), RADIUS, RADIUS)
def test_lens_against_strips(separation: float, sun: float, occulter: float) -> None:
    """Length hidden of each of 20000 vertical chords; 1e-4 is their spacing."""
    x = (np.arange(20_000) + 0.5) / 10_000.0 - 1.0
    half = sun * np.sqrt(1.0 - x**2)
    reach2 = np.maximum(occulter**2 - (sun * x - separation) ** 2, 0.0)
    hidden = 2.0 * np.minimum(half, np.sqrt(reach2)).sum() * sun / 10_000.0 / (np.pi * sun**2)
    assert covered_fraction(separation, sun, occulter) == pytest.approx(hidden, abs=1e-4)


@given(RADIUS, RADIUS)
def test_nearer_never_hides_less(sun: float, occulter: float) -> None:
    fraction = covered_fraction(np.linspace(0.0, sun + occulter + 0.1, 400), sun, occulter)
    assert (np.diff(fraction) <= 1e-9).all()
    assert fraction.min() == 0.0
    assert fraction.max() == pytest.approx(min(1.0, (occulter / sun) ** 2))


@given(st.floats(0.0, 359.0), st.floats(-85.0, 85.0), st.floats(0.0, 359.0), st.floats(1e-4, 3.0))
def test_offsets_lay_off_the_angle_where_the_body_lies(
    azimuth: float, elevation: float, around: float, angle: float
) -> None:
    sun = direction_enu_xyz(azimuth, elevation)
    right = direction_enu_xyz(azimuth + 90.0, 0.0)
    up = direction_enu_xyz(azimuth, elevation + 90.0)
    turn, size = np.radians([around, angle])
    body = np.cos(size) * sun + np.sin(size) * (np.sin(turn) * right + np.cos(turn) * up)
    east_deg, up_deg, separation = offsets_deg(sun[None], body[None] * 0.0026)
    assert separation[0] == pytest.approx(angle, abs=1e-9)
    assert east_deg[0] == pytest.approx(angle * np.sin(turn), abs=1e-7)
    assert up_deg[0] == pytest.approx(angle * np.cos(turn), abs=1e-7)


def test_offset_to_the_right_is_a_larger_azimuth() -> None:
    body = direction_enu_xyz(201.0, 10.5)
    east_deg, up_deg, _ = offsets_deg(direction_enu_xyz(200.0, 10.0)[None], body[None])
    assert east_deg[0] == pytest.approx(np.cos(np.radians(10.0)), rel=0.01)
    assert up_deg[0] == pytest.approx(0.5, rel=0.02)
    assert azimuth_elevation_deg(body)[0] == pytest.approx(201.0)


def test_same_direction_has_no_offset() -> None:
    sun = direction_enu_xyz([0.0, 123.0], [0.0, 60.0])
    east_deg, up_deg, separation = offsets_deg(sun, sun * 2.0)
    np.testing.assert_allclose([east_deg, up_deg, separation], 0.0, atol=1e-13)
