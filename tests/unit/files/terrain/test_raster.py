"""Terrain files of every kind read the same: scale, offset, nodata, place; wrong ones are refused in words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.errors import DataMissing, InputError
from yieldsim.files.inputs.readers import read_body

rasterio = pytest.importorskip("rasterio")
pytest.importorskip("pyproj")

from rasterio.transform import Affine  # noqa: E402

from yieldsim.files.terrain.raster import open_raster, open_rasters, read_values, read_window  # noqa: E402
from yieldsim.files.terrain.raster_metadata import gdal_name, needs_terrain_extra  # noqa: E402
from yieldsim.ground.terrain import NestedTerrain  # noqa: E402

MOON_POLE = "+proj=stere +lat_0=-90 +lon_0=0 +k=1 +x_0=0 +y_0=0 +R=1737400 +units=m +no_defs"
MARS_SPHERE = "+proj=eqc +lat_ts=0 +lon_0=180 +R=3396190 +units=m +no_defs"
STORED = (np.arange(12 * 15).reshape(12, 15) * 37 % 900 - 400).astype(np.int16)
SCALE, NODATA = 0.5, -32768


@pytest.fixture(scope="module")
def mars():
    return read_body("mars").noun


def holed():
    stored = STORED.copy()
    stored[3, 4] = NODATA
    return stored


def write(
    path: Path, stored, crs=MOON_POLE, driver="GTiff", scale=SCALE, offset=0.0, nodata=NODATA, transform=None
):
    """A raster file; its pixels are 240 m, its upper left corner at (-3000, 2000) m unless told otherwise."""
    options = {
        "driver": driver,
        "width": stored.shape[1],
        "height": stored.shape[0],
        "count": 1,
        "dtype": stored.dtype,
    }
    place = transform or Affine(240.0, 0.0, -3000.0, 0.0, -240.0, 2000.0)
    with rasterio.open(path, "w", crs=crs, transform=place, nodata=nodata, **options) as file:
        file.write(stored, 1)
        file.scales, file.offsets = (scale,), (offset,)
    return path


def pds3(folder: Path, write_label, stored, offset=1737400.0):
    """A detached PDS3 label with its image, as the planetary archives carry them."""
    (folder / "dem.img").write_bytes(stored.astype("<i2").tobytes())
    more = f"  SCALING_FACTOR = {SCALE}\n  OFFSET = {offset}\n  MISSING_CONSTANT = {NODATA}\n"
    words = write_label(
        "dem.img", *stored.shape, pixel_m=240.0, upper_left_m=(-3000.0, 2000.0), of_image=more
    )
    (folder / "dem.lbl").write_text(words)
    return folder / "dem.lbl"


def heights_of(path, body, **more):
    raster = open_raster(path, body, **more)
    return raster, read_window(raster, 0, 0, raster.rows, raster.columns, 1)


def netcdf(path: Path, stored):
    """A CF file: packed heights, coordinates of pixel centres, grid mapping."""
    import netCDF4
    from pyproj import CRS

    with netCDF4.Dataset(path, "w") as file:
        file.Conventions = "CF-1.8"
        for axis, size, first, step in (("y", 12, 1880.0, -240.0), ("x", 15, -2880.0, 240.0)):
            file.createDimension(axis, size)
            values = file.createVariable(axis, "f8", (axis,))
            values[:] = first + step * np.arange(size)
            values.units, values.standard_name = "m", f"projection_{axis}_coordinate"
        mapping = file.createVariable("crs", "i4")
        mapping.setncatts(
            {key: value for key, value in CRS.from_proj4(MOON_POLE).to_cf().items() if value is not None}
        )
        heights = file.createVariable("height", "i2", ("y", "x"), fill_value=NODATA)
        heights.set_auto_maskandscale(False)
        heights[:] = stored
        heights.scale_factor, heights.units, heights.grid_mapping = SCALE, "m", "crs"
    return path


@pytest.mark.parametrize(
    ("driver", "name"), [("GTiff", "dem.tif"), ("PDS4", "dem.xml"), ("netCDF", "dem.nc")]
)
def test_kinds_of_files(tmp_path, moon, driver, name):
    path = tmp_path / name
    made = netcdf(path, holed()) if driver == "netCDF" else write(path, holed(), driver=driver)
    raster, grid = heights_of(made, moon)
    expected = STORED * SCALE
    assert np.isnan(grid.heights_m[3, 4])
    expected[3, 4] = np.nan
    np.testing.assert_array_equal(grid.heights_m, expected)
    assert raster.pixel_m == pytest.approx(240.0, rel=1e-5)
    # the pole, x = y = 0, lies 12.5 columns and 8.33 rows from the corner
    row, column = raster.to_pixel(np.array([-90.0]), np.array([0.0]))
    assert (row[0], column[0]) == pytest.approx((2000.0 / 240.0 - 0.5, 12.0))


def test_pds3_label_with_radii(tmp_path, moon, pds3_label):
    """Offset 1737400: radii. The stored numbers are halved and the body's radius taken off again."""
    raster, grid = heights_of(pds3(tmp_path, pds3_label, holed()), moon)
    assert raster.holds == "radius"
    assert np.isnan(grid.heights_m[3, 4])
    known = np.isfinite(grid.heights_m)
    np.testing.assert_allclose(grid.heights_m[known], (STORED * SCALE)[known], atol=1e-4)
    # the image itself leads to its label
    assert gdal_name(tmp_path / "dem.img") == str(tmp_path / "dem.lbl")


def test_place_on_the_map(tmp_path, moon):
    """Polar stereographic on a sphere, closed form: rho = 2 R tan(colatitude / 2), x = rho sin lon, y = rho cos lon."""
    raster = open_raster(write(tmp_path / "dem.tif", STORED), moon)
    latitude, longitude = raster.to_place(np.array([2.0, 9.0]), np.array([5.0, 1.0]))
    x, y = raster.to_xy(np.array([2.0, 9.0]), np.array([5.0, 1.0]))
    np.testing.assert_allclose(
        latitude, -90.0 + np.degrees(2.0 * np.arctan(np.hypot(x, y) / (2.0 * 1737400.0)))
    )
    np.testing.assert_allclose(longitude % 360.0, np.degrees(np.arctan2(x, y)) % 360.0)


def test_windows_thin_by_averaging(tmp_path, moon):
    raster = open_raster(write(tmp_path / "dem.tif", STORED.astype(np.float32)), moon)
    thin = read_window(raster, 2, 3, 8, 12, 4)
    expected = (STORED[2:10, 3:15] * SCALE).reshape(2, 4, 3, 4).mean(axis=(1, 3))
    np.testing.assert_allclose(thin.heights_m, expected, rtol=1e-6)
    # the middle of a block of 4 x 4 is where a thinned pixel's centre lies
    place = raster.to_place(np.array([3.5]), np.array([4.5]))
    np.testing.assert_allclose(np.ravel(thin.to_pixel(*place)), [0.0, 0.0], atol=1e-6)


def test_a_turn_of_longitude_closes(tmp_path, mars):
    width = 2.0 * np.pi * 3396190.0
    stored = np.tile(np.arange(36, dtype=np.int16), (18, 1))
    transform = Affine(width / 36, 0.0, -width / 2, 0.0, -width / 36, width / 4)
    path = write(tmp_path / "whole.tif", stored, crs=MARS_SPHERE, scale=1.0, transform=transform)
    raster = open_raster(path, mars, "height")
    assert raster.is_whole_turn
    # columns 34, 35, 0, 1 in one window across the seam
    np.testing.assert_array_equal(read_values(raster, 0, 34, 2, 4, 1), [[34, 35, 0, 1]] * 2)
    grid = read_window(raster, 0, 34, 2, 4, 1)
    for longitude in (0.0, 360.0, -360.0):
        assert grid.to_pixel(np.array([85.0]), np.array([longitude]))[1][0] == pytest.approx(1.5)


def test_radii_less_the_sphere_are_recognised_on_a_flattened_body(tmp_path, mars):
    """Radius less 3396.19 km falls by 20 km to the poles; heights over the ellipsoid don't."""
    width = 2.0 * np.pi * 3396190.0
    transform = Affine(width / 72, 0.0, -width / 2, 0.0, -width / 72, width / 4)
    latitude = np.radians(90.0 - 5.0 * (np.arange(36) + 0.5))
    a, c = 3396190.0, mars.polar_radius_km * 1000.0
    fall = a * c / np.hypot(c * np.cos(latitude), a * np.sin(latitude)) - a
    relief = np.random.default_rng(5).normal(0.0, 2000.0, (36, 72)) - 3000.0 * np.sin(latitude)[:, None]
    for name, values, holds in (("radius", relief + fall[:, None], "radius"), ("height", relief, "height")):
        path = write(
            tmp_path / f"{name}.tif", values.astype(np.float32), MARS_SPHERE, scale=1.0, transform=transform
        )
        raster, grid = heights_of(path, mars)
        assert raster.holds == holds
        # a map that ends at the poles gets a row beyond each
        np.testing.assert_allclose(grid.heights_m[1:-1], relief, atol=0.01)
        assert not raster.warnings


def whole_planet(path, stored, repeated=0):
    """A map of degrees around the Moon, from longitude 0; it may repeat its first columns at its end."""
    rows, columns = stored.shape
    step = 360.0 / columns
    wide = np.concatenate([stored, stored[:, :repeated]], axis=1)
    transform = Affine(step, 0.0, 0.0, 0.0, -180.0 / rows, 90.0)
    return write(path, wide, crs="+proj=longlat +R=1737400 +no_defs", scale=1.0, transform=transform)


def test_maps_of_the_whole_planet_close_over_the_poles(tmp_path, moon):
    """Half a pixel short of the pole, ground lies between the last row and the same row on the other side."""
    stored = np.random.default_rng(3).integers(-900, 900, (18, 36)).astype(np.float32)
    raster, grid = heights_of(whole_planet(tmp_path / "whole.tif", stored), moon)
    surface = NestedTerrain([grid])
    assert raster.covers(90.0, 0.0)
    assert raster.covers(-88.0, 100.0)
    across = 0.5 * (stored[0, 4] + stored[0, 22])
    assert surface.heights_m(90.0, 45.0) == pytest.approx(across, abs=1e-3)
    # 85 N is the row's own latitude; 86 N, one degree up, is a tenth of the way to the same latitude beyond the pole
    assert surface.heights_m(86.0, 45.0) == pytest.approx(0.9 * stored[0, 4] + 0.1 * stored[0, 22], abs=1e-3)
    assert surface.heights_m(-86.0, 45.0) == pytest.approx(
        0.9 * stored[-1, 4] + 0.1 * stored[-1, 22], abs=1e-3
    )


def test_columns_that_a_map_repeats_are_left_out(tmp_path, moon):
    stored = np.random.default_rng(4).integers(-900, 900, (18, 36)).astype(np.float32)
    plain, plain_grid = heights_of(whole_planet(tmp_path / "plain.tif", stored), moon)
    wide, wide_grid = heights_of(whole_planet(tmp_path / "wide.tif", stored, repeated=1), moon)
    assert wide.is_whole_turn
    assert wide.columns == plain.columns == 36
    np.testing.assert_array_equal(wide_grid.heights_m, plain_grid.heights_m)
    assert wide.covers(0.0, 359.9)


def test_pixels_on_the_edge_are_known(tmp_path, moon):
    """To a place and back, a pixel's centre comes out a rounding error outside the file: it is still in it."""
    raster, grid = heights_of(write(tmp_path / "dem.tif", STORED.astype(np.float32), scale=1.0), moon)
    row, column = np.meshgrid(np.arange(12.0), np.arange(15.0), indexing="ij")
    found = NestedTerrain([grid]).heights_m(*raster.to_place(row, column))
    np.testing.assert_allclose(found, STORED, atol=1e-3)


def test_a_planetocentric_file_that_lost_its_axes(tmp_path, mars):
    """GeoTIFF keeps the name of the system, not what its latitudes are."""
    transform = Affine(1.0, 0.0, 30.0, 0.0, -1.0, 40.0)
    path = write(tmp_path / "mars.tif", STORED, crs="IAU_2015:49902", scale=1.0, transform=transform)
    latitude, _ = open_raster(path, mars).to_place(np.array([9.5]), np.array([3.0]))
    assert latitude[0] == pytest.approx(30.0, abs=1e-9)


def test_one_variable_of_several(tmp_path, moon):
    import netCDF4

    path = netcdf(tmp_path / "two.nc", STORED)
    with netCDF4.Dataset(path, "a") as file:
        slope = file.createVariable("slope", "f4", ("y", "x"))
        slope[:], slope.grid_mapping = 0.0, "crs"
    refused(path, moon, "two.nc: holds several rasters; allowed: two.nc:height, two.nc:slope")
    for name in (f"{path}:height", f'NETCDF:"{path}":height'):
        raster, grid = heights_of(name, moon)
        np.testing.assert_array_equal(grid.heights_m, STORED * SCALE)
        assert [file.name for file in raster.files] == ["two.nc"]
    refused(tmp_path / "too.nc:height", moon, r"too.nc:height: does not exist \(did you mean two.nc\?\)")


def test_a_label_and_its_image_are_both_named(tmp_path, moon, pds3_label):
    raster, _ = heights_of(pds3(tmp_path, pds3_label, STORED), moon)
    assert [file.name for file in raster.files] == ["dem.lbl", "dem.img"]


def test_values_that_may_be_radii_in_kilometres_are_told_of(tmp_path, moon):
    stored = (1737.4 + STORED / 1000.0).astype(np.float64)
    bare = write(tmp_path / "km.tif", stored, scale=1.0, nodata=None)
    assert "write its unit into it if they are radii in kilometres" in open_raster(bare, moon).warnings[0]
    with rasterio.open(bare, "r+") as file:
        file.units = ("km",)
    raster, grid = heights_of(bare, moon)
    assert raster.holds == "radius"
    assert not raster.warnings
    np.testing.assert_allclose(grid.heights_m, STORED, atol=1e-3)


def test_bands_beyond_the_first_are_told_of(tmp_path, moon):
    options = {"driver": "GTiff", "width": 15, "height": 12, "count": 2, "dtype": "int16"}
    place = Affine(240.0, 0.0, -3000.0, 0.0, -240.0, 2000.0)
    with rasterio.open(tmp_path / "two.tif", "w", crs=MOON_POLE, transform=place, **options) as file:
        file.write(STORED, 1)
        file.write(STORED + 1000, 2)
    raster, grid = heights_of(tmp_path / "two.tif", moon)
    assert raster.warnings == ("two.tif has 2 bands; the first is used",)
    np.testing.assert_array_equal(grid.heights_m, STORED)


def test_kilometres(tmp_path, moon):
    path = write(tmp_path / "km.tif", (STORED / 1000.0).astype(np.float32), scale=1.0)
    with rasterio.open(path, "r+") as file:
        file.units = ("km",)
    _, grid = heights_of(path, moon)
    np.testing.assert_allclose(grid.heights_m, STORED, rtol=1e-5)


def refused(path, body, match):
    with pytest.raises(InputError, match=match):
        open_raster(path, body)


def test_wrong_files_are_refused(tmp_path, moon, mars):
    good = write(tmp_path / "good.tif", STORED)
    refused(
        good,
        mars,
        "good.tif: is of another body: its coordinate system has a radius of 1737.4 km; allowed: 3396.2 km, that of Mars",
    )
    refused(write(tmp_path / "bare.tif", STORED, crs=None), moon, "bare.tif: has no coordinate system")
    refused(tmp_path / "god.tif", moon, r"god.tif: does not exist \(did you mean good.tif\?\)")
    refused(tmp_path, moon, "is a folder; allowed: a raster file")
    (tmp_path / "text.tif").write_text("no raster")
    refused(tmp_path / "text.tif", moon, "text.tif: is not a raster that can be read; allowed: GeoTIFF, PDS3")
    far = write(tmp_path / "feet.tif", STORED)
    with rasterio.open(far, "r+") as file:
        file.units = ("ft",)
    refused(far, moon, 'feet.tif: holds heights in "ft"; allowed: metres or kilometres')
    refused(write(tmp_path / "huge.tif", STORED, scale=500.0), moon, "huge.tif: holds heights up to")
    refused(
        write(tmp_path / "flat.tif", STORED, scale=0.0), moon, "flat.tif: has a scale of 0 and an offset of 0"
    )
    unknown = write(tmp_path / "unknown.tif", STORED.astype(np.float32), offset=np.inf)
    refused(unknown, moon, "unknown.tif: has a scale of 0.5 and an offset of inf; allowed: finite numbers")
    phases = write(tmp_path / "phases.tif", STORED.astype(np.complex64))
    refused(phases, moon, "phases.tif: holds complex numbers; allowed: heights or radii")


@pytest.mark.parametrize("crs", [MOON_POLE, "+proj=longlat +R=1737400"])
@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_a_file_that_says_no_place_is_not_at_the_origin(tmp_path, moon, crs):
    nowhere = write(tmp_path / "nowhere.tif", STORED, crs=crs, transform=Affine.identity())
    refused(nowhere, moon, "nowhere.tif: does not say where its pixels lie")


def test_all_problems_of_all_files_at_once(tmp_path, moon):
    bad = [
        write(tmp_path / "bare.tif", STORED, crs=None),
        tmp_path / "none.tif",
        write(tmp_path / "good.tif", STORED),
    ]
    with pytest.raises(InputError) as caught:
        open_rasters(bad, moon)
    assert len(caught.value.problems) == 2


def test_missing_libraries_are_one_clear_message(tmp_path, moon, monkeypatch):
    import builtins

    path = write(tmp_path / "dem.tif", STORED)
    real = builtins.__import__

    def without(name, *rest, **more):
        if name == "rasterio":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(
        DataMissing, match=r"terrain files need the raster libraries: pip install 'yieldsim\[terrain\]'"
    ):
        needs_terrain_extra()
    assert path.is_file()


def test_float_heights_are_not_rounded_with_the_radius(tmp_path, moon):
    """A radius in 32 bits steps by 0.125 m: heights must be taken off it in 64."""
    stored = (STORED * 0.001).astype(np.float32)
    body = replace(moon, equatorial_radius_km=1737.4, polar_radius_km=1737.4)
    _, grid = heights_of(write(tmp_path / "r.tif", stored, scale=1.0, offset=1737400.0), body)
    np.testing.assert_allclose(grid.heights_m, stored, atol=1e-5)


def test_what_is_kept_of_a_file_goes_when_it_changes(tmp_path, moon, monkeypatch):
    """A description and a whole file thinned are found once; after a change, and after one beside the file, anew."""
    from yieldsim.files.terrain.windows import thinned
    from yieldsim.files.text import file_cache

    def along(azimuth_deg, far_m):
        return np.broadcast_arrays(-90.0 + np.degrees(far_m / 1_737_400.0), azimuth_deg)

    def seen():
        raster = open_raster(path, moon)
        return raster, thinned([raster], along, 50_000.0, 500.0)[0]

    path = write(tmp_path / "a.tif", STORED)
    young, _ = seen()
    assert open_raster(path, moon) is not young
    monkeypatch.setattr(file_cache, "SETTLED_S", 0.0)
    raster, grid = seen()
    again, same = seen()
    assert again is raster
    assert same is grid
    assert open_raster(path, moon, "height") is not raster
    write(path, STORED + 100)
    changed, other = seen()
    assert changed is not raster
    np.testing.assert_allclose(other.heights_m - grid.heights_m, 100.0 * SCALE)
    path.with_name("a.tif.msk").write_bytes(b"<VRTDataset>")
    with pytest.raises(InputError, match=r"a\.tif\.msk beside it"):
        open_raster(path, moon)
