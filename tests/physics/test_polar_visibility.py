"""Light about the lunar south pole from the parts of terrain in tests/authorities/terrain, against the map published from it."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from agreement.terrain import PARTS, resampled

pytest.importorskip("rasterio")

import rasterio
from agreement import polar_light as agreed


def test_published_map_of_average_visibility():
    """LOLA average visibility (Mazarico et al. 2011, Icarus 211, 1066-1081; product AVGVISIB_85S_060M_201608): means over blocks of
    1.08 km near the pole, ground level, by share of the disc, over a precession cycle.

    From terrain four times coarser than theirs, measured over 18.6 years: correlation 0.9866 and 2.24 points, off the pole, where
    theirs is dark in the light of any terrain at hand, 0.9928 and 1.71; means 15.2 and 15.1 against 15.35 %. Which cycle theirs is
    moves the mean by 0.3.
    """
    every, off_the_pole = agreed.visibility_map()
    assert every.correlation >= 0.985
    assert every.rms_points <= 2.7
    assert off_the_pole.blocks == every.blocks - 3
    assert off_the_pole.correlation >= 0.99
    assert off_the_pole.rms_points <= 2.0
    for part in (every, off_the_pole):
        assert abs(part.mean_percent - part.published_mean_percent) < 0.5


def test_heights_at_another_pixel_are_means_or_lie_between():
    with rasterio.open(PARTS / "lola_south_pole_240m_part.tif") as file:
        given = file.read(1) * file.scales[0] + file.offsets[0]
    with rasterio.open(resampled(PARTS / "lola_south_pole_240m_part.tif", 480.0)) as file:
        coarse = file.read(1)
        assert file.transform.a == 480.0
    means = given.reshape(150, 2, 150, 2).mean(axis=(1, 3))
    # single precision of heights of thousands of metres
    np.testing.assert_allclose(coarse, means, atol=1e-3)
    with rasterio.open(resampled(PARTS / "lola_south_pole_240m_part.tif", 80.0)) as file:
        fine = file.read(1)
    np.testing.assert_allclose(fine[1::3, 1::3], given, atol=1e-3)
    # a third of the way from one centre to the next
    np.testing.assert_allclose(fine[1::3, 2:-3:3], (2.0 * given[:, :-1] + given[:, 1:]) / 3.0, atol=1e-3)


def test_files_are_those_that_their_page_names():
    listed = (PARTS / "README.md").read_text(encoding="utf-8")
    files = [path for path in PARTS.iterdir() if path.name != "README.md"]
    assert len(files) == 3
    for path in files:
        row = next(line for line in listed.splitlines() if line.startswith(f"| `{path.name}`"))
        assert row.split("|")[3].strip() == hashlib.sha256(path.read_bytes()).hexdigest()
