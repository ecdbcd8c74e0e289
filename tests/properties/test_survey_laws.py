"""Laws of a survey: maps of light know nothing of the collector; what is added up over time says so."""

from __future__ import annotations

import numpy as np
import pytest

rasterio = pytest.importorskip("rasterio")
pytest.importorskip("pyproj")

from rasterio.transform import Affine  # noqa: E402

from yieldsim.base.errors import DataMissing, InputError  # noqa: E402
from yieldsim.base.model import Collector, Mount, RoundAcceptance, Site  # noqa: E402
from yieldsim.files.inputs.readers import read_body  # noqa: E402
from yieldsim.report.survey import _axis_scale  # noqa: E402
from yieldsim.runs.survey import layout, run  # noqa: E402
from yieldsim.runs.survey.options import SurveyOptions  # noqa: E402
from yieldsim.runs.survey.run import survey  # noqa: E402

SPAN = {"moon": ("2027-01-01", "2027-02-01"), "mars": ("2027-10-01", "2027-10-25")}
"""On Mars the first sunrise of the southern spring."""
LENS = Collector(
    name="narrow",
    aperture_area_m2=0.2,
    mounts=(Mount(tilt_deg=88.0, azimuth_deg=10.0),),
    acceptance=RoundAcceptance(incidence_deg=[0, 1, 2], acceptance_fraction=[0.9, 0.8, 0.0], source="point"),
)
LIGHT = ("lit_fraction", "any_light_fraction", "sun_following_kwh_m2", "longest_dark_hours")


def ground(path, pixel_m, radius_m, size=48):
    """Rolling ground about the south pole."""
    half = 0.5 * pixel_m * size
    x = -half + pixel_m * (np.arange(size) + 0.5)
    east, north = np.meshgrid(x, -x)
    height = 0.02 * half * np.sin(5.0 * east / half) * np.cos(4.0 * north / half)
    height += np.random.default_rng(3).normal(0.0, 0.02 * pixel_m, height.shape)
    place = Affine(pixel_m, 0.0, -half, 0.0, -pixel_m, half)
    kind = {"driver": "GTiff", "width": size, "height": size, "count": 1, "dtype": "float32"}
    crs = f"+proj=stere +lat_0=-90 +R={radius_m:.0f} +units=m"
    with rasterio.open(path, "w", crs=crs, transform=place, **kind) as file:
        file.write(height.astype(np.float32), 1)
    return path


@pytest.mark.parametrize(("tile_pixels", "asked", "processes"), [(16, None, 1), (8, None, 3), (16, 2, 2)])
def test_few_tiles_start_no_processes_unless_workers_are_asked_for(
    tmp_path, monkeypatch, tile_pixels, asked, processes
):
    """Of 16 x 16 cells, 2 tiles and 8: half as wide as high."""
    took = []

    def record(job, tiles, folder, workers, *others):
        took.append(workers)
        raise InterruptedError

    monkeypatch.setattr(layout, "TILE_PIXELS", tile_pixels)
    monkeypatch.setattr(run, "cores", lambda: 3)
    monkeypatch.setattr(run, "survey_tiles", record)
    terrain = ground(tmp_path / "ground.tif", 500.0, 1_737_400.0, size=16)
    options = SurveyOptions(azimuths=72, workers=asked)
    with pytest.raises(InterruptedError):
        survey([terrain], "moon", None, *SPAN["moon"], options=options, work_folder=tmp_path)
    assert took == [processes]


def test_the_earth_is_seen_from_an_antenna_of_its_own_height(tmp_path):
    """Its map is that of a survey whose aperture stands as high; a higher one sees no less, and the Sun's maps stay as they are."""
    terrain = ground(tmp_path / "ground.tif", 500.0, 1_737_400.0, size=16)

    def maps(mast_m, antenna_m):
        options = SurveyOptions(mast_height_m=mast_m, earth_mast_height_m=antenna_m, azimuths=72, workers=1)
        return survey(
            [terrain], "moon", None, "2027-01-01", "2027-01-15", options=options, work_folder=tmp_path
        )

    low, own, high = maps(2.0, 2.0), maps(40.0, 40.0), maps(2.0, 40.0)
    np.testing.assert_array_equal(high["earth_visible_fraction"], own["earth_visible_fraction"])
    np.testing.assert_array_equal(high["lit_fraction"], low["lit_fraction"])
    gain = high["earth_visible_fraction"].values - low["earth_visible_fraction"].values
    assert gain.min() >= -1e-6
    assert gain.max() > 0.01


def test_there_is_no_map_of_the_earth_where_it_is_not_followed(tmp_path):
    """From Mars: its body file names the moons that can pass before the Sun, not the Earth."""
    terrain = ground(tmp_path / "ground.tif", 500.0, 3_396_190.0, size=16)
    options = SurveyOptions(earth_mast_height_m=10.0, workers=1)
    with pytest.raises(
        InputError, match="earth_mast_height_m is asked for on Mars; allowed: a body whose file names earth"
    ):
        survey([terrain], "mars", None, *SPAN["mars"], options=options, work_folder=tmp_path)


@pytest.mark.parametrize("body", ["moon", pytest.param("mars", marks=pytest.mark.slow)])
def test_maps_of_light_are_the_same_with_a_collector_and_without(tmp_path, body):
    """Wide pixels, so that a narrow collector asks for many blocks and, on Mars, the air for others."""
    noun = read_body(body).noun
    pixel_m = {"moon": 500.0, "mars": 2000.0}[body]
    terrain = ground(tmp_path / "ground.tif", pixel_m, noun.equatorial_radius_km * 1000.0)
    air = {"moon": None, "mars": 0.4}[body]
    like = Site(
        name="x", body=noun, latitude_deg=-90.0, longitude_deg=0.0, optical_depth=air, mast_height_m=2.0
    )
    maps = {}
    for name, collector in (("without", None), ("with", LENS)):
        maps[name] = survey(
            [terrain], None, collector, *SPAN[body], like=like, work_folder=tmp_path,
            options=SurveyOptions(azimuths=180, workers=1),
        )  # fmt: skip
    for variable in LIGHT:
        values = maps["with"][variable].values
        np.testing.assert_array_equal(values, maps["without"][variable].values, err_msg=variable)
        assert np.isfinite(values).all()
    assert np.ptp(maps["with"]["lit_fraction"].values) > 0.05
    assert "delivered_kwh" not in maps["without"]
    assert float(maps["with"]["delivered_kwh"].max()) > 0.0
    for variable in ("sun_following_kwh_m2", "delivered_kwh"):
        assert maps["with"][variable].attrs["cell_methods"].startswith("time: sum"), variable
    assert maps["with"]["lit_fraction"].attrs["cell_methods"] == "time: mean"
    assert maps["with"]["longest_dark_hours"].attrs["cell_methods"] == "time: maximum"


def test_every_cell_looks_as_far_as_asked(tmp_path):
    """At a tile's rim too: a wall there, farther than asked from the tile's centre, stands before the cells near it."""
    size, pixel_m, reach_km = 120, 500.0, 22.0
    terrain = ground(tmp_path / "ground.tif", pixel_m, 1_737_400.0, size=size)
    with rasterio.open(terrain, "r+") as file:
        heights = np.zeros((size, size), dtype=np.float32)
        heights[:, 0] = 3000.0
        file.write(heights, 1)

    def lit(reach_km):
        options = SurveyOptions(stride=4, azimuths=72, reach_km=reach_km, workers=1)
        ds = survey([terrain], "moon", None, *SPAN["moon"], options=options, work_folder=tmp_path)
        return ds["lit_fraction"]

    whole, asked = lit(None), lit(reach_km)
    # farther than 32 pixels, within which ground is known in any case
    near = (whole["x"] + 30_000.0 < reach_km * 1000.0 - pixel_m).values & (
        whole["x"] + 30_000.0 > 33 * pixel_m
    ).values
    middle = np.abs(whole["y"].values) < 5000.0
    assert near.sum() > 1
    assert np.ptp(whole.values[middle]) > 0.1
    np.testing.assert_allclose(asked.values[middle][:, near], whole.values[middle][:, near], atol=1e-6)


def test_a_window_of_unknown_ground_is_no_survey(tmp_path):
    terrain = ground(tmp_path / "ground.tif", 500.0, 1_737_400.0, size=16)
    with rasterio.open(terrain, "r+") as file:
        file.write(np.full((16, 16), np.nan, dtype=np.float32), 1)
    options = SurveyOptions(azimuths=72, workers=1)
    with pytest.raises(DataMissing, match=r"no ground is known where ground\.tif gives the survey's cells"):
        survey([terrain], "moon", None, *SPAN["moon"], options=options, work_folder=tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["ground.tif"]


def test_a_map_in_kilometres_says_so(tmp_path):
    """In survey.nc and along the figure's axes; the light is that of the same map in metres."""
    in_m = ground(tmp_path / "metres.tif", 500.0, 1_737_400.0, size=16)
    in_km = tmp_path / "kilometres.tif"
    with rasterio.open(in_m) as file:
        profile, heights = file.profile, file.read(1)
    profile["crs"] = "+proj=stere +lat_0=-90 +R=1737400 +units=km"
    profile["transform"] = Affine(0.5, 0.0, -4.0, 0.0, -0.5, 4.0)
    with rasterio.open(in_km, "w", **profile) as file:
        file.write(heights, 1)
    options = SurveyOptions(azimuths=72, workers=1)
    plain, given = (
        survey([path], "moon", None, *SPAN["moon"], options=options, work_folder=tmp_path)
        for path in (in_m, in_km)
    )
    assert (plain["x"].attrs["units"], given["x"].attrs["units"], given["y"].attrs["units"]) == (
        "m",
        "km",
        "km",
    )
    np.testing.assert_allclose(given["x"].values * 1000.0, plain["x"].values)
    np.testing.assert_allclose(given["lit_fraction"].values, plain["lit_fraction"].values, atol=1e-5)
    assert _axis_scale(plain) == (1e-3, "km")
    assert _axis_scale(given) == (1.0, "km")
