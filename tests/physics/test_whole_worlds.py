"""Surveys of maps in longitude and latitude: across the seam, at the poles, unequal steps, against single places by the other way.

The whole-Moon grid (LOLA, public domain, 0.25 deg a pixel) is not part of the package: tests look for it in ../shared/data beside the
repository and skip where it is absent.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.model import Site
from yieldsim.base.numerics.vectors import azimuth_elevation_deg, direction_enu_xyz
from yieldsim.files.inputs.readers import read_body

rasterio = pytest.importorskip("rasterio")

from yieldsim.files.terrain.projection import from_map  # noqa: E402
from yieldsim.files.terrain.raster import open_raster  # noqa: E402
from yieldsim.ground.line_sweep import ANGLE_UNIT_DEG  # noqa: E402
from yieldsim.ground.local_sphere import LocalSphere  # noqa: E402
from yieldsim.runs.horizon.run import horizon  # noqa: E402
from yieldsim.runs.survey import tiles  # noqa: E402
from yieldsim.runs.survey.options import SurveyOptions  # noqa: E402
from yieldsim.runs.survey.run import survey  # noqa: E402

MOON = Path(__file__).resolve().parents[3] / "shared" / "data" / "terrain" / "LDEM_4.IMG"
DEGREE_M = np.pi / 180.0 * 1_737_400.0


@pytest.mark.skipif(not MOON.is_file(), reason="no whole-Moon grid in ../shared/data/terrain")
@pytest.mark.parametrize(
    ("window_deg", "cells", "alike_least", "most_deg"),
    [
        (
            (177.0, 84.0, 183.0, 87.0),
            [(4, 6), (4, 20), (9, 11), (9, 12)],
            0.99,
            0.15,
        ),  # across the map's ends
        ((40.0, 88.5, 70.0, 90.0), [(0, 60)], 0.88, 0.5),  # to the north pole
        ((-31.0, -90.0, -1.0, -88.5), [(5, 60)], 0.88, 1.4),  # to the south pole
        ((-3.0, -2.0, 3.0, 4.0), [(0, 0), (13, 20)], 0.85, 0.05),
    ],
)
def test_cells_see_the_skylines_of_single_places(
    monkeypatch, tmp_path, window_deg, cells, alike_least, most_deg
):
    """Horizons of cells against `horizon`, which reads the grid its own way: place, north and handedness.

    Measured: correlations over azimuth 0.89 to 0.999 and 0.006 to 0.1 deg in the median. In the last row at a pole, with columns of
    16 m and rows of 7.6 km, what one pixel is taken to be between its neighbours decides: 0.91, and up to 1.2 deg.
    """
    moon = read_body("moon").noun
    swept = {}
    light = tiles._light

    def caught(job, frame, typical_m, horizon, known):
        swept[len(swept)] = frame, horizon.copy()
        return light(job, frame, typical_m, horizon, known)

    monkeypatch.setattr(tiles, "_light", caught)
    options = SurveyOptions(
        window=tuple(DEGREE_M * value for value in window_deg), mast_height_m=10.0, places=0, workers=1
    )
    ds = survey([MOON], "moon", None, "2027-01-01", "2027-01-02", options=options, work_folder=tmp_path)
    assert len(swept) == 1
    frame, horizons = swept[0]
    crs = open_raster(MOON, moon).crs
    for i, j in cells:
        latitude, longitude = (float(at) for at in from_map(crs, ds.x.values[j], ds.y.values[i]))
        site = Site(name="x", body=moon, latitude_deg=latitude, longitude_deg=longitude, mast_height_m=10.0)
        run = horizon(site, [MOON], azimuth_step_deg=2.0)
        assert float(ds.elevation_m.values[i, j]) == pytest.approx(run.skyline.ground_m, abs=0.5)
        # the cell's horizon is told in the axes of the tile's middle
        own = LocalSphere.at(latitude, longitude, frame.sphere.equatorial_m, frame.sphere.polar_m).axes
        tile_azimuth = np.arange(len(horizons)) * 360.0 / len(horizons)
        seen = direction_enu_xyz(tile_azimuth, horizons[:, i, j] * ANGLE_UNIT_DEG)
        azimuth, elevation = azimuth_elevation_deg(seen @ (frame.sphere.axes @ own.T))
        order = np.argsort(azimuth)
        found = np.interp(run.skyline.azimuth_deg, azimuth[order], elevation[order], period=360.0)
        expected = run.skyline.elevation_deg
        alike = float(np.corrcoef(found, expected)[0, 1])
        assert alike > alike_least
        assert np.median(np.abs(found - expected)) < most_deg
        # turned by a quarter or a half, or mirrored, it would not be so
        wrong = [np.roll(found, len(found) // 4 * k) for k in (1, 2, 3)] + [found[::-1]]
        assert max(float(np.corrcoef(other, expected)[0, 1]) for other in wrong) < alike - 0.1
