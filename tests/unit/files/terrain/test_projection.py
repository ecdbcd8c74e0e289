"""Map coordinates and places on the body: what latitudes and longitudes are counted as, and what maps are counted in."""

from __future__ import annotations

import numpy as np
import pytest

pyproj = pytest.importorskip("pyproj")

from yieldsim.files.terrain.projection import from_map, map_unit, to_map  # noqa: E402

PLANETOCENTRIC = 30.0
PLANETOGRAPHIC = np.degrees(np.arctan((3396.19 / 3376.2) ** 2 * np.tan(np.radians(PLANETOCENTRIC))))


@pytest.mark.parametrize(
    ("code", "x", "y"),
    [
        # degrees on the sphere, on the ellipsoid by its normal with longitudes to the west, and by its centre
        ("IAU_2015:49900", 40.0, PLANETOCENTRIC),
        ("IAU_2015:49901", -40.0, PLANETOGRAPHIC),
        ("IAU_2015:49902", 40.0, PLANETOCENTRIC),
        # equirectangular: x = R longitude, y = R latitude, of the ellipsoid's normal; the second counts x to the west
        ("IAU_2015:49910", 3396190.0 * np.radians(40.0), 3396190.0 * np.radians(PLANETOCENTRIC)),
        ("IAU_2015:49911", -3396190.0 * np.radians(40.0), 3396190.0 * np.radians(PLANETOGRAPHIC)),
        ("IAU_2015:49912", 3396190.0 * np.radians(40.0), 3396190.0 * np.radians(PLANETOGRAPHIC)),
    ],
)
def test_planetocentric_planetographic_and_west(code, x, y):
    """Archinal et al. 2018, section 7: planetographic longitudes grow to the west on Mars, planetocentric ones to the east."""
    crs = pyproj.CRS.from_user_input(code)
    np.testing.assert_allclose(to_map(crs, PLANETOCENTRIC, 40.0), (x, y), rtol=1e-9)
    np.testing.assert_allclose(from_map(crs, x, y), (PLANETOCENTRIC, 40.0), rtol=1e-9)


@pytest.mark.parametrize(("unit", "words"), [("m", "m"), ("km", "km"), ("ft", "0.3048 m")])
def test_maps_say_what_they_count_in(unit, words):
    assert map_unit(pyproj.CRS.from_user_input(f"+proj=stere +lat_0=-90 +R=1737400 +units={unit}")) == words
