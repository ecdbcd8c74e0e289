"""Warnings of what a run comes to, each once and with what to do."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import xarray as xr

from yieldsim.base.model import Collector, Fibre, Mount, RoundAcceptance
from yieldsim.runs.estimate.caveats import caveats, fibre_face_w_cm2


def collector(mounts: int, **fibre: Any) -> Collector:
    table = RoundAcceptance(
        incidence_deg=np.array([0.0, 20.0]), acceptance_fraction=np.array([1.0, 1.0]), source="point"
    )
    return Collector(
        name="c",
        aperture_area_m2=0.01,
        mounts=tuple(Mount(tilt_deg=88.0, azimuth_deg=40.0 * k, count=2) for k in range(mounts)),
        acceptance=table,
        fibre=Fibre(length_m=10.0, **fibre) if fibre else None,
    )


def series(delivered_w: list[float], followed_w: float = 100.0, shield_w: float = 0.0) -> xr.Dataset:
    """Three hours of a Sun that comes to 30 deg of every mount; the fibre leaves half of what enters it."""
    rows, each = 3, np.array(delivered_w)
    total = np.full(rows, each.sum())
    return xr.Dataset(
        {
            "disc_visible_fraction": ("time", np.array([1.0, 0.0, 1.0])),
            "incidence_deg": (("time", "mount"), np.array([[40.0], [5.0], [30.0]]) * np.ones(each.size)),
            "mount_delivered_power_w": (("time", "mount"), np.tile(each, (rows, 1))),
            "delivered_power_w": ("time", total),
            "sun_following_power_w": ("time", np.full(rows, followed_w)),
            "shield_power_w": ("time", np.full(rows, shield_w)),
            "stage_power_w": (("time", "stage"), np.stack([2.0 * total, total], axis=1)),
        },
        {"stage": ["acceptance", "fibre attenuation"]},
        {"interval_s": 3600.0},
    )


def test_idle_mounts_are_one_warning_that_says_where_to_turn() -> None:
    found = caveats(series([0.0] * 7 + [9.0, 9.0]), collector(9))
    assert len(found) == 1
    assert found[0].startswith("7 of 9 mounts deliver nothing (tilt/azimuth 88/0, 88/40, ")
    assert "no nearer than 30.0 deg" in found[0], "of the rows with light alone"
    assert "yieldsim orient" in found[0]
    assert caveats(series([9.0] * 9), collector(9)) == []


def test_no_facing_is_blamed_where_following_the_sun_would_deliver_nothing_either() -> None:
    (line,) = caveats(series([0.0], followed_w=0.0), collector(1))
    assert line.startswith("nothing is delivered, nor would it be by mounts that follow the Sun")
    assert "yieldsim orient" not in line


def test_next_to_no_yield_points_to_the_facing() -> None:
    assert caveats(series([1.01]), collector(1)) == []
    (line,) = caveats(series([0.99]), collector(1))
    assert line.startswith("next to nothing is delivered")
    assert "yieldsim orient" in line


def test_shields_that_draw_more_than_is_delivered_are_told() -> None:
    assert caveats(series([9.0], shield_w=9.0), collector(1)) == []
    (line,) = caveats(series([9.0], shield_w=9.1), collector(1))
    assert "draw 0.0273 kWh of electricity, more than the 0.027 kWh of light" in line


@pytest.mark.parametrize(("face_mm", "hot"), [(2.0, True), (20.0, False)])
def test_a_fibre_face_above_the_limit_is_told(face_mm: float, hot: bool) -> None:
    """Two units deliver 9 W through fibres that leave half: 9 W enter each."""
    one, ds = collector(1, face_diameter_mm=face_mm), series([9.0])
    assert fibre_face_w_cm2(ds, one) == pytest.approx(9.0 / (np.pi * (0.05 * face_mm) ** 2))
    assert bool(caveats(ds, one)) == hot
