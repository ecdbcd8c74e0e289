"""The tiles of a survey: what a worker needs to know, what it does for one tile, and how all of them get done.

A tile's result depends on its place alone, never on who computes it or in which order: the same bytes from any number of workers.
Finished tiles wait in a folder named after everything they depend on, so that an interrupted survey goes on where it stopped.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.errors import CannotCompute
from yieldsim.base.nouns import Collector, Site
from yieldsim.base.relief import Float32Array

if TYPE_CHECKING:
    from yieldsim.base.vectors import FloatArray
    from yieldsim.files.rasters import Holds, Raster
    from yieldsim.ground.tile_grid import TileFrame
    from yieldsim.planning.survey_light import CellLight
    from yieldsim.planning.survey_sun import SunPath

Progress = Callable[[int, int], None]
VARIABLES = (
    "elevation_m",
    "lit_fraction",
    "any_light_fraction",
    "sun_following_kwh_m2",
    "delivered_kwh",
    "best_azimuth_deg",
    "longest_dark_hours",
)
HOURS_PER_YEAR = 365.25 * 24.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TileJob:
    """What every tile of a survey shares; plain values, so that it travels to other machines.

    site          body, mast, air and dust; its place is not used
    terrain       raster files, finest first; the first gives the grid
    as_mounted    the collector faces as its file says; otherwise turned to its best azimuth at each cell
    """

    site: Site
    terrain: tuple[str, ...]
    holds: Holds
    collector: Collector | None
    as_mounted: bool
    start_tdb_s: float
    end_tdb_s: float
    azimuths: int
    stride: int
    reach_km: float
    kernels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Tile:
    """A block of the first raster's pixels."""

    row: int
    column: int
    rows: int
    columns: int

    @property
    def name(self) -> str:
        """Name of its file while the survey runs."""
        return f"tile-{self.row}-{self.column}.npy"


def survey_tile(job: TileJob, tile: Tile) -> Float32Array:
    """Maps (variables, rows / stride, columns / stride) of one tile, in the order of VARIABLES."""
    from yieldsim.files.rasters import open_rasters
    from yieldsim.files.terrain_views import thinned
    from yieldsim.ground.line_sweep import ANGLE_UNIT_DEG, NEAR_PIXELS, NO_CELL, sweep
    from yieldsim.ground.terrain import NestedTerrain
    from yieldsim.ground.tile_grid import cells_of, level_count, level_radius_m, levels_of

    rasters = open_rasters(job.terrain, job.site.body, job.holds)
    frame = frame_of(rasters[0], job.site, tile)

    def along(azimuth: FloatArray, far_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        return frame.sphere.along(azimuth, far_m / frame.sphere.radius_m)[:2]

    surfaces = []
    for level in range(level_count(frame, job.reach_km * 1000.0)):
        spacing_m = frame.pixel_m * 2**level
        grids = thinned(rasters, along, level_radius_m(frame, level), spacing_m)
        surfaces.append(NestedTerrain(grids).heights_m)
    cells = cells_of(frame, surfaces[0])
    inside = slice(NEAR_PIXELS + 1, -NEAR_PIXELS - 1)
    ground = cells.near_m[inside, inside][:: job.stride, :: job.stride]
    known = ground > -1e8
    maps = np.full((len(VARIABLES), *ground.shape), np.nan, dtype=np.float32)
    if not known.any():
        return maps
    typical_m = float(ground[known].mean(dtype=np.float64))
    azimuth_deg = np.arange(job.azimuths) * (360.0 / job.azimuths)
    horizon = sweep(
        levels_of(frame, surfaces),
        cells,
        frame.to_gnomonic,
        frame.sphere.radius_m,
        typical_m,
        job.site.mast_height_m,
        azimuth_deg,
        job.stride,
    )
    assert not (horizon[0] == NO_CELL)[known].any()
    path, light, turn_deg = _light(job, frame, typical_m, horizon, known, ANGLE_UNIT_DEG)
    years = path.hours / HOURS_PER_YEAR
    maps[0] = np.where(known, ground, np.nan)
    maps[1] = (light.lit_hours / path.hours).reshape(known.shape)
    maps[2] = (light.any_hours / path.hours).reshape(known.shape)
    maps[3] = (light.beam_kwh_m2 / years).reshape(known.shape)
    maps[4] = (light.delivered_kwh / years).reshape(known.shape)
    maps[5] = turn_deg
    maps[6] = light.longest_dark_hours.reshape(known.shape)
    return maps


def frame_of(raster: Raster, site: Site, tile: Tile) -> TileFrame:
    """The gnomonic frame of a tile of a raster."""
    from yieldsim.ground.tile_grid import tile_frame

    body = site.body
    return tile_frame(
        body.equatorial_radius_km * 1000.0,
        body.polar_radius_km * 1000.0,
        lambda row, column: raster.to_place(row + tile.row, column + tile.column),
        tile.rows,
        tile.columns,
    )


def _light(
    job: TileJob,
    frame: TileFrame,
    typical_m: float,
    horizon: NDArray[np.int16],
    known: NDArray[np.bool_],
    unit_deg: float,
) -> tuple[SunPath, CellLight, FloatArray]:
    """The Sun's path over the tile, the cells' light, and the azimuth (rows, columns) of the first mount."""
    from yieldsim.files.kernels import open_ephemeris
    from yieldsim.planning.survey_light import cell_light
    from yieldsim.planning.survey_sun import (
        light_tables,
        passage,
        path_step_s,
        sun_path,
        turn_step_deg,
        turned_power_w,
    )
    from yieldsim.sky.sun_track import prepare_track

    middle = frame.to_place(np.array([(frame.rows - 1) / 2.0]), np.array([(frame.columns - 1) / 2.0]))
    site = replace(
        job.site, latitude_deg=float(middle[0][0]), longitude_deg=float(middle[1][0]), elevation_m=typical_m
    )
    ephemeris = open_ephemeris(site.body, job.start_tdb_s, job.end_tdb_s, extra=job.kernels)
    track = prepare_track(
        ephemeris,
        site.body,
        site.latitude_deg,
        site.longitude_deg,
        site.elevation_m,
        job.start_tdb_s,
        job.end_tdb_s,
    )
    path = sun_path(track, site, job.start_tdb_s, job.end_tdb_s, path_step_s(site))
    by_azimuth = horizon.reshape(job.azimuths, -1)
    seen = by_azimuth if known.all() else by_azimuth[:, known.ravel()]
    lowest, highest = seen.min(axis=1).astype(np.int64), seen.max(axis=1).astype(np.int64)
    power, powered, turns = None, np.empty(0, dtype=np.int64), np.empty(0)
    if job.collector is not None:
        turns = np.arange(0.0, 360.0 - 1e-9, turn_step_deg(job.collector))
        powered = np.flatnonzero(path.elevation_deg + path.radius_deg > float(lowest.min()) * unit_deg)
        power = turned_power_w(path, site, job.collector, turns, powered)
    tables = light_tables(path, job.azimuths, unit_deg, int(lowest.min()), int(highest.max()), power, powered)
    passing = passage(path, job.azimuths, unit_deg, lowest, highest)
    if job.collector is None:
        return path, cell_light(by_azimuth, tables, passing, 0, None), np.full(known.shape, np.nan)
    # the tile's north against each cell's own: they part near a pole
    lean_deg = _lean_deg(frame, job.stride)
    step = 360.0 / turns.size
    wanted = (-lean_deg / step).ravel() if job.as_mounted else None
    light = cell_light(by_azimuth, tables, passing, turns.size, wanted)
    first = job.collector.mounts[0].azimuth_deg
    azimuth = (first + light.turn.reshape(known.shape) * step + lean_deg) % 360.0
    return path, light, azimuth


def _lean_deg(frame: TileFrame, stride: int) -> FloatArray:
    """Azimuth at each cell of the direction that is north at the tile's centre."""
    row, column = np.meshgrid(
        np.arange(0.0, frame.rows, stride), np.arange(0.0, frame.columns, stride), indexing="ij"
    )
    latitude, longitude = frame.to_place(row, column)
    east, north = frame.sphere.gnomonic(latitude, longitude)
    on_latitude, on_longitude, _ = frame.sphere.gnomonic_places(east, north + 1e-6)
    a, b = np.radians(latitude), np.radians(on_latitude)
    turn = np.radians(on_longitude - longitude)
    return np.asarray(
        np.degrees(
            np.arctan2(np.sin(turn) * np.cos(b), np.cos(a) * np.sin(b) - np.sin(a) * np.cos(b) * np.cos(turn))
        )
    )


# ---------------------------------------------------------------- all of them


def survey_tiles(
    job: TileJob,
    tiles: list[Tile],
    folder: Path,
    workers: int,
    scheduler: str | None,
    progress: Progress | None,
) -> Iterator[tuple[Tile, Float32Array]]:
    """Every tile's maps, in order; those already in `folder` are not computed again.

    Raises CannotCompute when a cluster can't be reached or its workers are lost.
    """
    waiting = [tile for tile in tiles if not (folder / tile.name).is_file()]
    done = len(tiles) - len(waiting)
    folder.mkdir(parents=True, exist_ok=True)
    if progress is not None:
        progress(done, len(tiles))
    for tile, maps in _computed(job, waiting, workers, scheduler):
        # into place only when whole: a half-written tile must not look finished
        partial = folder / f".{tile.name}"
        with partial.open("wb") as file:
            np.save(file, maps)
        partial.replace(folder / tile.name)
        done += 1
        if progress is not None:
            progress(done, len(tiles))
    for tile in tiles:
        yield tile, np.load(folder / tile.name)


def _computed(
    job: TileJob, tiles: list[Tile], workers: int, scheduler: str | None
) -> Iterator[tuple[Tile, Float32Array]]:
    """Tiles and their maps as they get finished."""
    if scheduler is None and min(workers, len(tiles)) <= 1:
        for tile in tiles:
            yield tile, survey_tile(job, tile)
        return
    from distributed import as_completed

    with _client(min(workers, len(tiles)), scheduler) as client:
        futures = {client.submit(survey_tile, job, tile, pure=False): tile for tile in tiles}
        try:
            for future, maps in as_completed(futures, with_results=True):
                yield futures[future], maps
        finally:
            client.cancel(list(futures))


@contextmanager
def _client(workers: int, scheduler: str | None) -> Iterator[Any]:
    """A client of the cluster at an address, or of one made here for as long as it is needed."""
    import dask
    from distributed import Client, LocalCluster

    quiet = {"distributed.admin.log-format": "", "distributed.worker.daemon": True}
    try:
        if scheduler is not None:
            client = Client(scheduler, timeout="20s")
            yield client
            client.close()
            return
    except OSError as error:
        raise CannotCompute(f"cannot reach the scheduler at {scheduler}: {error}") from None
    # one thread of kernels a worker: the workers share the cores
    threads = max(1, (os.cpu_count() or 1) // workers)
    with (
        dask.config.set(quiet),
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
            silence_logs="error",
            env={"NUMBA_NUM_THREADS": str(threads), "OMP_NUM_THREADS": str(threads)},
        ) as cluster,
        Client(cluster) as client,
    ):
        yield client
