"""Unknown ground is never light: a site behind walls 2 km high stays dark, or is refused, or answered with two bounds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import skyfield_data

from yieldsim.base.errors import InputError
from yieldsim.base.model import Site
from yieldsim.files.inputs.readers import read_body

rasterio = pytest.importorskip("rasterio")
pytest.importorskip("pyproj")

from rasterio.transform import Affine  # noqa: E402

from yieldsim.base.numerics.height_grid import with_small_holes_filled  # noqa: E402
from yieldsim.runs.horizon.run import horizon  # noqa: E402
from yieldsim.runs.survey.options import SurveyOptions  # noqa: E402
from yieldsim.runs.survey.output import summary_of_survey  # noqa: E402
from yieldsim.runs.survey.run import survey  # noqa: E402

SIZE, PIXEL_M = 160, 50.0
HALF_M = 0.5 * SIZE * PIXEL_M
DE421 = str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp")
SPAN = {"start": "2027-01-01", "end": "2027-02-01"}
ROW, COLUMN = np.mgrid[0:SIZE, 0:SIZE] - (SIZE - 1) / 2.0
RING = np.maximum(np.abs(ROW), np.abs(COLUMN))
WALLS = (RING > 50.0) & (RING < 60.0)
EAST = WALLS & (COLUMN > 50.0)


@pytest.fixture(scope="module")
def site():
    return Site(name="Walled", body=read_body("moon").noun, latitude_deg=-89.99, longitude_deg=40.0)


def terrain(folder: Path, unknown: np.ndarray | None = None, value: float = np.nan, **more: object) -> Path:
    """Walls around the pole, with some of their pixels at a value."""
    heights = np.where(WALLS, 2000.0, 0.0).astype(np.float32)
    if unknown is not None:
        heights[unknown] = value
    place = Affine(PIXEL_M, 0.0, -HALF_M, 0.0, -PIXEL_M, HALF_M)
    options = {"width": SIZE, "height": SIZE, "count": 1, "dtype": "float32", "transform": place, **more}
    path = folder / "dem.tif"
    with rasterio.open(
        path, "w", driver="GTiff", crs="+proj=stere +lat_0=-90 +R=1737400 +units=m", **options
    ) as file:
        file.write(heights, 1)
    return path


def one_pixel() -> np.ndarray:
    """A pixel in each of two walls."""
    mask = np.zeros((SIZE, SIZE), dtype=bool)
    mask[80, 135], mask[25, 80] = True, True
    return mask


def test_lost_pixels_are_filled_and_said(tmp_path, site):
    whole = horizon(site, [terrain(tmp_path)], azimuth_step_deg=1.0, **SPAN)
    assert whole.mask.elevation_deg.min() > 20.0
    assert not any("unknown" in line for line in whole.warnings)
    filled = horizon(site, [terrain(tmp_path, one_pixel())], azimuth_step_deg=1.0, **SPAN)
    np.testing.assert_array_equal(filled.mask.elevation_deg, whole.mask.elevation_deg)
    assert (
        "dem.tif: 2 pixels of unknown height in small holes filled from their highest neighbours"
        in filled.warnings
    )
    assert filled.clear is None


def test_a_span_may_be_named_as_for_an_estimate_and_kernels_be_told(tmp_path, site):
    """A hole that the Sun passes behind is seen to matter in whatever words the span is told."""
    path = terrain(tmp_path, EAST)
    plain, told, named = (
        horizon(site, [path], azimuth_step_deg=10.0, unknown_ground="bounds", **words)
        for words in (SPAN, {**SPAN, "kernels": DE421}, {"start": "2027-01-01", "years": 0.1})
    )
    assert plain.clear is not None
    assert named.clear is not None
    assert plain.summary == told.summary
    means = plain.summary["unknown_ground"]
    assert means["blocked_mean_deg"] > means["clear_mean_deg"]
    with pytest.raises(InputError, match=r"none\.bsp: does not exist"):
        horizon(site, [path], unknown_ground="bounds", kernels="none.bsp")


@pytest.mark.parametrize("tagged", [True, False])
@pytest.mark.parametrize("part", ["one wall", "all walls"])
def test_missing_walls_are_refused_or_bounded(tmp_path, site, part, tagged):
    unknown = EAST if part == "one wall" else WALLS
    path = terrain(tmp_path, unknown, -9999.0 if tagged else np.nan, nodata=-9999.0 if tagged else None)
    with pytest.raises(
        InputError, match=r"dem.tif has holes of unknown height|dem.tif: has holes of unknown height"
    ):
        horizon(site, [path], azimuth_step_deg=1.0, **SPAN)
    run = horizon(site, [path], azimuth_step_deg=1.0, unknown_ground="bounds", **SPAN)
    assert run.clear is not None
    # the Sun comes no higher than 1.9 deg here: 1.54 of the Moon's tilt, its disc, and what the site is off the pole
    assert run.mask.elevation_deg.min() > 2.0
    open_rows = run.clear.elevation_deg < 5.0
    assert open_rows.mean() == pytest.approx(0.25 if part == "one wall" else 1.0, abs=0.03)
    assert (run.mask.elevation_deg >= run.clear.elevation_deg).all()
    assert any("the lower of two bounds" in line for line in run.warnings)


@pytest.mark.parametrize("value", [np.inf, -32768.0, -9999.0])
def test_markers_that_are_not_declared_are_refused(tmp_path, site, value):
    with pytest.raises(
        InputError, match=r"dem.tif: holds a height of .* at row 20, column 130 \(counted from 0\)"
    ):
        horizon(site, [terrain(tmp_path, EAST, value)], azimuth_step_deg=1.0, **SPAN)


def test_holes_out_of_the_suns_way_are_let_be(tmp_path, site):
    """The east wall is missing, and the Sun of two days stands elsewhere."""
    path = terrain(tmp_path, EAST)
    answers = []
    for day in range(1, 29, 3):
        span = {"start": f"2027-01-{day:02d}", "end": f"2027-01-{day + 2:02d}"}
        try:
            run = horizon(site, [path], azimuth_step_deg=1.0, **span)
        except InputError:
            answers.append("refused")
            continue
        answers.append("told" if any("never stands above" in line for line in run.warnings) else "silent")
    assert set(answers) == {"refused", "told"}
    # a quarter of the circle, widened by what the Sun turns in two days
    assert 2 <= answers.count("refused") <= 5


def test_declared_unknown_ground_around_the_data_is_their_edge(tmp_path, site):
    """As in the corners around a published polar cap: the note about ground beyond, with its share of the Sun's band."""
    beyond = np.hypot(ROW, COLUMN) > 75.0
    path = terrain(tmp_path, beyond | WALLS, -32768.0, nodata=-32768.0)
    flat = terrain(tmp_path, beyond, -32768.0, nodata=-32768.0)
    assert horizon(site, [flat], azimuth_step_deg=1.0, **SPAN).clear is None
    assert path == flat
    with rasterio.open(flat, "r+") as file:
        heights = file.read(1)
        heights[WALLS] = 0.0
        heights[80:82, 80:82] = 40.0
        file.write(heights, 1)
    run = horizon(site, [flat], azimuth_step_deg=1.0, **SPAN)
    assert run.clear is None
    assert any(
        "ground beyond the terrain files could still show" in line and "of the Sun's band" in line
        for line in run.warnings
    )


def lit(path: Path, unknown_ground: str = "refuse"):
    options = SurveyOptions(
        window=(-1000.0, -1000.0, 1000.0, 1000.0), stride=10, azimuths=72, workers=1, places=1,
        unknown_ground=unknown_ground,
    )  # fmt: skip
    return survey([path], "moon", options=options, work_folder=path.parent, **SPAN)


@pytest.mark.slow
def test_surveys_obey(tmp_path):
    assert float(lit(terrain(tmp_path)).lit_fraction.max()) == 0.0
    filled = lit(terrain(tmp_path, one_pixel()))
    assert float(filled.lit_fraction.max()) == 0.0
    assert any("small holes" in line for line in summary_of_survey(filled)["warnings"])
    for unknown in (EAST, WALLS):
        with pytest.raises(InputError, match="holes of unknown height between the Sun and 16 cells"):
            lit(terrain(tmp_path, unknown))
        bounds = lit(terrain(tmp_path, unknown), "bounds")
        assert float(bounds.lit_fraction.max()) == 0.0
        assert float(bounds.clear_lit_fraction.min()) > 0.1
        assert any("the lower of two bounds" in line for line in summary_of_survey(bounds)["warnings"])
    with pytest.raises(InputError, match="row 20, column 130"):
        lit(terrain(tmp_path, EAST, np.inf))


def test_small_holes_take_the_highest_neighbour():
    heights = np.zeros((9, 9), dtype=np.float32)
    heights[:, 4] = 5.0
    heights[3:5, 4] = np.nan
    heights[6:9, 6:9] = np.nan
    filled, holes, count = with_small_holes_filled(heights, wrapped=False, open_edge=True)
    assert count == 2
    assert (filled[:, 4] == 5.0).all()
    assert not holes.any()
    assert np.isnan(filled[6:, 6:]).all()
    filled, holes, count = with_small_holes_filled(heights, wrapped=False, open_edge=False)
    assert count == 11
    heights[0:4, 0:4] = np.nan
    _, holes, _ = with_small_holes_filled(heights, wrapped=False, open_edge=False)
    np.testing.assert_array_equal(np.flatnonzero(holes.any(axis=1)), [0, 1, 2, 3, 4])


@pytest.mark.parametrize("wrapped", [False, True])
def test_a_cap_has_no_holes_and_a_hole_in_it_is_found(wrapped):
    """Along a seam the sides are no edge: there the cap's unknown ground reaches top and bottom only."""
    row, column = np.indices((40, 40)) - 19.5
    cap = np.where(np.hypot(row, column) < 18.0, 5.0, np.nan).astype(np.float32)
    heights, holes, filled = with_small_holes_filled(cap, wrapped, open_edge=True)
    assert not holes.any()
    assert filled == 0
    np.testing.assert_array_equal(heights, cap)
    cap[15:20, 15:20] = np.nan
    assert with_small_holes_filled(cap, wrapped, open_edge=True)[1].sum() == 25
    band = np.full((40, 40), 5.0, dtype=np.float32)
    band[15:20, :5] = np.nan
    assert with_small_holes_filled(band, wrapped, open_edge=True)[1].sum() == (25 if wrapped else 0)


def test_bodies_know_their_relief():
    moon = read_body("moon").noun
    assert moon.relief_m == (-9500.0, 11000.0)
    # without it, by its size
    plain = replace(moon, lowest_ground_m=None, highest_ground_m=None)
    assert plain.relief_m == pytest.approx((-52122.0, 52122.0))
