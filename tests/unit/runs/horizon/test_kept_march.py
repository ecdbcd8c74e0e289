"""A skyline that was kept is the one that would be computed, and is used for the same view of the same files alone."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import skyfield_data

from yieldsim.base.model import Site
from yieldsim.files.inputs.readers import read_body

rasterio = pytest.importorskip("rasterio")
pytest.importorskip("pyproj")

from rasterio.transform import Affine  # noqa: E402

from yieldsim.files.text import file_cache  # noqa: E402
from yieldsim.runs.horizon import march as march_module  # noqa: E402
from yieldsim.runs.horizon.kept_march import LINE  # noqa: E402
from yieldsim.runs.horizon.run import HorizonRun, horizon, horizon_csv  # noqa: E402

SIZE, PIXEL_M = 80, 50.0
DE421 = str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp")
SPAN = {"start": "2027-01-01", "end": "2027-02-01", "kernels": DE421}
Marches = Callable[[], int]


@pytest.fixture(scope="module")
def site() -> Site:
    return Site(name="Crest", body=read_body("moon").noun, latitude_deg=-89.99, longitude_deg=40.0)


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("YIELDSIM_CACHE", str(tmp_path / "kept"))
    # files of a test are as young as it is
    monkeypatch.setattr(file_cache, "SETTLED_S", -60.0)
    return tmp_path / "kept"


@pytest.fixture
def marches(monkeypatch: pytest.MonkeyPatch) -> Marches:
    """How often lines of sight were marched."""
    count, real = [0], march_module.skyline

    def counted(*words: object) -> object:
        count[0] += 1
        return real(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(march_module, "skyline", counted)
    return lambda: count[0]


def terrain(folder: Path, top_m: float = 300.0, hole: bool = False) -> Path:
    """A ridge beside the pole."""
    row, column = np.mgrid[0:SIZE, 0:SIZE] - (SIZE - 1) / 2.0
    heights = (top_m * np.exp(-((column - 15.0) ** 2) / 9.0) + 0.1 * row).astype(np.float32)
    if hole:
        heights[30:50, 60:66] = np.nan
    half_m = 0.5 * SIZE * PIXEL_M
    options = {"width": SIZE, "height": SIZE, "count": 1, "dtype": "float32", "driver": "GTiff"}
    place = Affine(PIXEL_M, 0.0, -half_m, 0.0, -PIXEL_M, half_m)
    path = folder / "dem.tif"
    with rasterio.open(
        path, "w", crs="+proj=stere +lat_0=-90 +R=1737400 +units=m", transform=place, **options
    ) as file:
        file.write(heights, 1)
    return path


def same(one: HorizonRun, other: HorizonRun) -> bool:
    """To the last bit: lines, warnings, sources, table."""
    lines = all(np.array_equal(getattr(one.skyline, name), getattr(other.skyline, name)) for name in LINE)
    told = one.warnings == other.warnings and one.sources == other.sources
    return lines and told and one.summary == other.summary and horizon_csv(one) == horizon_csv(other)


def test_what_was_kept_is_what_is_computed(site: Site, tmp_path: Path, cache: Path, marches: Marches) -> None:
    dem = terrain(tmp_path)
    first = horizon(site, [dem], **SPAN)
    assert marches() == 1
    assert len(list(cache.iterdir())) == 1
    again = horizon(replace(site, name="Crest"), [str(dem)], **SPAN)
    assert marches() == 1
    assert same(first, again)
    assert first.warnings, "the small file ends where ground could still show"


def test_switched_off_nothing_is_kept(
    site: Site, tmp_path: Path, cache: Path, marches: Marches, monkeypatch: pytest.MonkeyPatch
) -> None:
    dem = terrain(tmp_path)
    kept = horizon(site, [dem], **SPAN)
    monkeypatch.setenv("YIELDSIM_CACHE", "")
    assert same(kept, horizon(site, [dem], **SPAN))
    assert marches() == 2


@pytest.mark.parametrize(
    ("of_site", "options"),
    [
        ({"mast_height_m": 3.0}, {}),
        ({"longitude_deg": 40.001}, {}),
        ({}, {"reach_km": 1.0}),
        ({}, {"azimuth_step_deg": 1.0}),
        ({}, {"holds": "height"}),
    ],
)
def test_another_view_is_marched(
    site: Site, tmp_path: Path, marches: Marches, of_site: dict[str, float], options: dict[str, object]
) -> None:
    dem = terrain(tmp_path)
    horizon(site, [dem], **SPAN)
    horizon(replace(site, **of_site), [dem], **SPAN, **options)
    assert marches() == 2


def test_files_that_hold_something_else_are_marched(site: Site, tmp_path: Path, marches: Marches) -> None:
    """Even of the same size and times, and with notes that appear beside them."""
    dem = terrain(tmp_path)
    low, of = horizon(site, [dem], **SPAN), dem.stat()
    terrain(tmp_path, top_m=500.0)
    os.utime(dem, ns=(of.st_atime_ns, of.st_mtime_ns))
    high = horizon(site, [dem], **SPAN)
    assert marches() == 2
    assert high.skyline.elevation_deg.max() > low.skyline.elevation_deg.max()
    notes = "<PAMDataset><PAMRasterBand band='1'><Scale>2.0</Scale></PAMRasterBand></PAMDataset>"
    dem.with_name("dem.tif.aux.xml").write_text(notes, encoding="utf-8")
    horizon(site, [dem], **SPAN)
    assert marches() == 3


def test_damage_is_no_answer(site: Site, tmp_path: Path, cache: Path, marches: Marches) -> None:
    """Cut short anywhere: computed again, to the same. A byte turned anywhere: the same, too, if it is one that says nothing."""
    dem = terrain(tmp_path)
    first = horizon(site, [dem], **SPAN)
    (entry,) = cache.iterdir()
    whole = entry.read_bytes()
    places = range(len(whole) // 7, len(whole), len(whole) // 7)
    spoilt = [whole[:place] + bytes([whole[place] ^ 0xFF]) + whole[place + 1 :] for place in places]
    spoilt += [b"", *(whole[:place] for place in places)]
    for content in spoilt:
        entry.write_bytes(content)
        assert same(first, horizon(site, [dem], **SPAN))
    assert marches() > len(places)
    assert entry.read_bytes() != spoilt[-1]


def test_young_files_and_unknown_ground_are_not_kept(
    site: Site, tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    holed = terrain(tmp_path, hole=True)
    horizon(site, [holed], **SPAN, unknown_ground="bounds")
    monkeypatch.setattr(file_cache, "SETTLED_S", 60.0)
    horizon(site, [terrain(tmp_path)], **SPAN)
    assert not cache.exists()


def test_the_oldest_go(site: Site, tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    dem = terrain(tmp_path)
    cache.mkdir()
    (cache / "table.npz").write_bytes(bytes(100_000))
    monkeypatch.setattr("yieldsim.runs.horizon.kept_march.MOST_BYTES", 100_000)
    for mast_m in range(1, 6):
        horizon(replace(site, mast_height_m=float(mast_m)), [dem], **SPAN)
    kept = [path.stat().st_size for path in cache.glob("skyline-*.npz")]
    assert 0 < sum(kept) <= 100_000
    assert (cache / "table.npz").exists(), "tables of lenses are not skylines"
