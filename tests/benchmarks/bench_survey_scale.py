"""A survey of a thousand million cells with made-up tile results: bookkeeping, memory of the client, restart, files, places.

    python tests/benchmarks/bench_survey_scale.py [--small] [--cells 1e9] [--stride 1] [--folder FOLDER]

Everything of a survey but the light itself runs: tiles into the store, an interruption half way, the restart from the manifest, two
spoilt tiles, the choice of places, survey.nc, GeoTIFFs with overviews, the pages. Memory is the kernel's account of the process
(VmHWM). 1e9 cells want some 45 GB of disk for a while; with a stride there are as many tiles, of few bytes each: the bookkeeping by
itself. Goal: under 1 GB however many cells.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import netCDF4
import numpy as np
import rasterio
from rasterio.transform import Affine

from yieldsim.runs.survey import workers
from yieldsim.runs.survey.options import SurveyOptions
from yieldsim.runs.survey.output import summary_of_survey, write_survey
from yieldsim.runs.survey.run import survey

PIXEL_M = 10.0


def peak_mb() -> float:
    """Largest resident memory of this process so far, by the kernel's account."""
    line = next(row for row in Path("/proc/self/status").read_text().splitlines() if row.startswith("VmHWM"))
    return int(line.split()[1]) / 1024.0


def ground(path: Path, side: int) -> None:
    """A raster of so many pixels a side about the south pole that knows no ground, and takes next to no disk."""
    half = 0.5 * PIXEL_M * side
    kind = {"driver": "GTiff", "width": side, "height": side, "count": 1, "dtype": "float32", "nodata": -1e5}
    place = Affine(PIXEL_M, 0.0, -half, 0.0, -PIXEL_M, half)
    crs = "+proj=stere +lat_0=-90 +R=1737400 +units=m"
    with rasterio.open(
        path, "w", crs=crs, transform=place, tiled=True, SPARSE_OK=True, BIGTIFF="IF_SAFER", **kind
    ):
        pass


def made_up(job, tile, _read=None):
    """Maps that depend on the place alone: light rises towards one cell, two thirds down and one third across."""
    _, rows, columns = job.shape(tile)
    row = tile.row + job.stride * np.arange(rows, dtype=np.float32)[:, None]
    column = tile.column + job.stride * np.arange(columns, dtype=np.float32)[None, :]
    maps = np.zeros((len(job.layers), rows, columns), dtype=np.float32)
    side = float(made_up.side)
    off = np.maximum(np.abs(row - 2.0 * side / 3.0), np.abs(column - side / 3.0))
    light = 1.0 - np.floor(off / 8.0) * 8.0 / side
    maps[0], maps[1], maps[2], maps[3], maps[6] = np.floor(row / 64.0), light, light, 10.0 * light, 5.0
    maps[4:6] = np.nan
    made_up.count += 1
    if made_up.count == made_up.stop:
        raise KeyboardInterrupt
    return maps


def main() -> None:
    """Run, interrupt, spoil, run again, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", action="store_true")
    parser.add_argument("--cells", type=float, default=1e9)
    parser.add_argument("--stride", type=int, default=1)
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    side = round((2.5e6 if given.small else given.cells) ** 0.5)
    made_up.side, made_up.count, made_up.stop = side, 0, -1
    workers.survey_tile, workers.read_ground = made_up, lambda job, tile: None
    folder = Path(tempfile.mkdtemp(dir=given.folder))
    try:
        terrain = folder / "ground.tif"
        ground(terrain, side)
        options = SurveyOptions(
            goal="lit", places=5, azimuths=72, workers=1, spacing_m=0.05 * side * PIXEL_M, stride=given.stride
        )
        asked = ([terrain], "moon", None, "2027-01-01", "2027-01-02")

        def run(progress=None):
            return survey(*asked, options=options, work_folder=folder, keep_tiles=True, progress=progress)

        def half_way(done, tiles):
            made_up.tiles, made_up.stop = tiles, tiles // 2

        small = replace(options, window=(-2560.0, -2560.0, 2560.0, 2560.0))
        survey(*asked, options=small, work_folder=folder)
        print(f"{side**2:.4g} pixels, a cell every {given.stride}; libraries loaded: {peak_mb():.0f} MB")
        made_up.count = 0
        start = time.perf_counter()
        try:
            run(half_way)
        except KeyboardInterrupt:
            print(
                f"interrupted at tile {made_up.stop} of {made_up.tiles}: {time.perf_counter() - start:.0f} s"
            )
        store = next(folder.glob(".survey-*"))
        first, other = sorted(store.glob("tile-*.npy"))[:2]
        with first.open("r+b") as file:
            file.seek(512)
            file.write(b"spoilt")
        other.unlink()
        made_up.count, made_up.stop = 0, -1
        start = time.perf_counter()
        ds = run()
        print(
            f"restarted: {made_up.count} tiles computed, {time.perf_counter() - start:.0f} s, {peak_mb():.0f} MB"
        )
        assert made_up.count == made_up.tiles - (made_up.tiles // 2 - 1) + 2, made_up.count
        start = time.perf_counter()
        written = write_survey(ds, folder / "out", [terrain])
        print(f"written: {time.perf_counter() - start:.0f} s, {peak_mb():.0f} MB")
        assert "lit_fraction.tif" in written
        places = summary_of_survey(ds)["places"]
        best = places[0]
        print(f"best place x {best['x']:g}, y {best['y']:g}, lit {best['lit_fraction']:.4f} of {len(places)}")
        half = 0.5 * side * PIXEL_M
        assert abs(best["x"] - (side / 3.0 * PIXEL_M - half)) < 10.0 * PIXEL_M + given.stride * PIXEL_M
        assert abs(best["y"] - (half - 2.0 * side / 3.0 * PIXEL_M)) < 10.0 * PIXEL_M + given.stride * PIXEL_M
        rng = np.random.default_rng(0)
        with (
            netCDF4.Dataset(folder / "out" / "survey.nc") as file,
            rasterio.open(folder / "out" / "lit_fraction.tif") as tif,
        ):
            high, wide = tif.shape
            assert tif.overviews(1) or high < 1024
            for r, c in rng.integers(0, min(high, wide), (50, 2)):
                at_row, at_column = (given.stride // 2 + given.stride * at for at in (r, c))
                off = max(abs(at_row - 2.0 * side / 3.0), abs(at_column - side / 3.0))
                expected = 1.0 - np.floor(off / 8.0) * 8.0 / side
                assert abs(float(file["lit_fraction"][r, c]) - expected) < 1e-5
                one = tif.read(1, window=rasterio.windows.Window(c, r, 1, 1))
                assert one[0, 0] == np.float32(file["lit_fraction"][r, c])
        print(json.dumps({"tiles": made_up.tiles, "cells": high * wide, "peak_mb": round(peak_mb())}))
        assert peak_mb() < 1000.0
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
