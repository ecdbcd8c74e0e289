"""The tiles of a survey: what a worker needs to know and what it does for one of them.

A tile's result depends on its place alone, never on who computes it or in which order: the same bytes from any number of workers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import DAYS_PER_YEAR, HOURS_PER_DAY
from yieldsim.base.errors import InputError, Problem
from yieldsim.base.model import Collector, Site
from yieldsim.base.numerics.height_grid import Float32Array, HeightGrid

if TYPE_CHECKING:
    from yieldsim.base.numerics.vectors import FloatArray
    from yieldsim.files.terrain.raster_model import Holds, Raster
    from yieldsim.ground.line_points import Levels
    from yieldsim.ground.line_sweep import Cells
    from yieldsim.ground.terrain import NestedTerrain
    from yieldsim.ground.tile_grid import TileFrame
    from yieldsim.planning.survey.horizon_tables import SunPath
    from yieldsim.runs.horizon.unknown_ground import UnknownGround
    from yieldsim.sky.sun_track import SunTrack

VARIABLES = (
    "elevation_m",
    "lit_fraction",
    "any_light_fraction",
    "sun_following_kwh_m2",
    "delivered_kwh",
    "best_azimuth_deg",
    "longest_dark_hours",
    "longest_dark_cut_fraction",
)
CLEAR = ("clear_lit_fraction", "clear_sun_following_kwh_m2", "clear_delivered_kwh")
"""Upper bounds of a survey with holes before the Sun, and the places in VARIABLES of what they bound."""
CLEAR_OF = (1, 3, 4)
EARTH = "earth_visible_fraction"
FILLED = "filled_pixels"
"""The last layer of a tile: how many pixels of small holes its views fill, the same number everywhere."""
LEAST_LIGHT = 1e-6
"""Of the time lit: less than this is no difference between two maps, 30 s in a year."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TileJob:
    """What every tile of a survey shares; plain values, so that it travels to other machines.

    site          body, mast, air and dust; its place is not used
    terrain       raster files, finest first; the first gives the grid
    as_mounted    the collector faces as its file says; otherwise turned to its best azimuth at each cell
    earth_mast_height_m   of an antenna that the Earth shall be in sight of; None: not asked
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
    unknown_ground: UnknownGround = "refuse"
    year_days: float = DAYS_PER_YEAR
    earth_mast_height_m: float | None = None

    @property
    def layers(self) -> tuple[str, ...]:
        """What a tile's maps are, in order."""
        clear = CLEAR if self.unknown_ground == "bounds" else ()
        earth = () if self.earth_mast_height_m is None else (EARTH,)
        return (*VARIABLES, *clear, *earth, FILLED)

    def shape(self, tile: Tile) -> tuple[int, int, int]:
        """Shape of a tile's maps: layers, rows and columns of the cells taken."""
        return len(self.layers), -(-tile.rows // self.stride), -(-tile.columns // self.stride)


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


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """What a tile's maps are made from, once its terrain is read.

    swept            the frame that horizons are swept on: the tile's own, or one of square pixels
    nested           terrain by level, finest first; seen: all grids of it; cells, levels: what the sweep takes of it
    rows, columns, ground_m, known   (rows / stride, columns / stride) the cells' places in the tile's pixels, their heights
    """

    frame: TileFrame
    swept: TileFrame
    rows: FloatArray
    columns: FloatArray
    nested: tuple[NestedTerrain, ...]
    seen: tuple[HeightGrid, ...]
    cells: Cells
    levels: Levels
    ground_m: Float32Array
    known: NDArray[np.bool_]


def read_ground(job: TileJob, tile: Tile) -> Ground:
    """The terrain of a tile and all that its horizons need. Raises InputError."""
    from yieldsim.files.terrain.raster import open_rasters
    from yieldsim.files.terrain.windows import thinned
    from yieldsim.ground.line_points import KNOWN_M, NEAR_PIXELS
    from yieldsim.ground.terrain import NestedTerrain
    from yieldsim.ground.tile_grid import cells_of, level_count, level_radius_m, levels_of, square_frame

    rasters = open_rasters(job.terrain, job.site.body, job.holds)
    frame = frame_of(rasters[0], job.site, tile)
    rows, columns = np.meshgrid(
        np.arange(0.0, tile.rows, job.stride), np.arange(0.0, tile.columns, job.stride), indexing="ij"
    )
    # where columns follow longitude pixels may be no straight grid: horizons are swept on one that is, and read between its nodes
    is_square = rasters[0].period_columns is None or frame.is_straight()
    swept = frame if is_square else square_frame(frame, rows, columns)

    def along(azimuth: FloatArray, far_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        return frame.sphere.along(azimuth, far_m / frame.sphere.radius_m)[:2]

    reach_m = job.reach_km * 1000.0
    nested: list[NestedTerrain] = []
    seen: list[HeightGrid] = []
    for level in range(level_count(swept, reach_m)):
        spacing_m = swept.pixel_m * 2**level
        grids = thinned(rasters, along, level_radius_m(swept, level), spacing_m)
        nested.append(NestedTerrain(grids))
        seen += grids
    cells = cells_of(swept, nested[0])
    inside = slice(NEAR_PIXELS + 1, -NEAR_PIXELS - 1)
    if is_square:
        ground_m = cells.near_m[inside, inside][:: job.stride, :: job.stride]
        known = ground_m > KNOWN_M
    else:
        ground_m = nested[0](*frame.to_place(rows, columns)).astype(np.float32)
        known = np.isfinite(ground_m)
    levels = levels_of(swept, nested, reach_m)
    return Ground(frame, swept, rows, columns, tuple(nested), tuple(seen), cells, levels, ground_m, known)


def survey_tile(job: TileJob, tile: Tile, read: Ground | None = None) -> Float32Array:
    """Maps (layers, rows / stride, columns / stride) of one tile, in the order of the job's layers.

    read   its ground, where that is read already

    Raises InputError where holes of unknown ground shape the light and are to be refused.
    """
    from yieldsim.ground.horizon_interpolation import horizons_between
    from yieldsim.ground.line_sweep import NO_CELL, sweep
    from yieldsim.ground.tile_grid import cells_of, levels_of
    from yieldsim.ground.unknown_ground import Raised

    it = read or read_ground(job, tile)
    known, frame, swept = it.known, it.frame, it.swept
    maps = np.full((len(job.layers), *known.shape), np.nan, dtype=np.float32)
    maps[-1] = max((grid.filled for grid in it.seen), default=0)
    if not known.any():
        return maps
    typical_m = float(it.ground_m[known].mean(dtype=np.float64))
    azimuth_deg = np.arange(job.azimuths, dtype=np.float64) * (360.0 / job.azimuths)

    def horizons(levels: Levels, near: Cells, mast_m: float) -> NDArray[np.int16]:
        stride = job.stride if swept is frame else 1
        radius_m = swept.sphere.radius_m
        horizon = sweep(levels, near, swept.to_gnomonic, radius_m, typical_m, mast_m, azimuth_deg, stride)
        if swept is not frame:
            at_row, at_column = swept.pixels_at(*frame.to_place(it.rows, it.columns))
            between = horizons_between(horizon, at_row.ravel(), at_column.ravel())
            horizon = between.reshape(len(between), *known.shape)
        horizon[:, ~known] = NO_CELL
        return horizon

    count, mast_m = len(VARIABLES), job.site.mast_height_m
    upper = slice(count, count + len(CLEAR))
    maps[0] = np.where(known, it.ground_m, np.nan)
    levels, cells = it.levels, it.cells
    horizon = horizons(levels, cells, mast_m)
    maps[1:count] = _light(job, frame, typical_m, horizon, known)
    if job.unknown_ground == "bounds":
        maps[upper] = maps[list(CLEAR_OF)]
    holed = [grid for grid in it.seen if grid.holes is not None]
    if holed:
        ceiling_m = job.site.body.relief_m[1]
        surfaces = [Raised(surface, holed, ceiling_m) for surface in it.nested]
        cells, levels = cells_of(swept, surfaces[0]), levels_of(swept, surfaces, job.reach_km * 1000.0)
        horizon = horizons(levels, cells, mast_m)
        blocked = _light(job, frame, typical_m, horizon, known)
        _refuse_holes(job, maps[1:count], blocked, sorted({grid.name for grid in holed}))
        maps[1:count] = blocked
    if job.earth_mast_height_m is not None:
        if job.earth_mast_height_m != mast_m:
            horizon = horizons(levels, cells, job.earth_mast_height_m)
        maps[job.layers.index(EARTH)] = _earth_in_sight(job, frame, typical_m, horizon, known)
    return maps


def _refuse_holes(job: TileJob, clear: Float32Array, blocked: Float32Array, names: list[str]) -> None:
    """Raise InputError where holes that block make other maps of light than holes that are nothing, unless bounds are asked for."""
    differs = np.abs(clear[0] - blocked[0]) > LEAST_LIGHT
    if job.unknown_ground == "bounds" or not differs.any():
        return
    raise InputError(
        Problem(
            ", ".join(names),
            found=f"has holes of unknown height between the Sun and {int(differs.sum())} cells of the survey",
            allowed="known ground there",
            hint="add a file that knows it, or ask for both bounds: --unknown-ground bounds",
        )
    )


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
    job: TileJob, frame: TileFrame, typical_m: float, horizon: NDArray[np.int16], known: NDArray[np.bool_]
) -> Float32Array:
    """Maps of the tile's light (variables without elevation, rows, columns), block by block.

    The whole tile shares the Sun's path against its own horizontal. What depends on the cells' own horizontal (the air, a
    mount's tilt) holds for a block: it is small enough for its cells' horizontals to lean little against its centre's. The
    collector has blocks of its own, so that maps of light are the same with it and without.
    """
    from yieldsim.ground.line_sweep import ANGLE_UNIT_DEG
    from yieldsim.planning.survey.horizon_tables import energy_tables, light_tables
    from yieldsim.planning.survey.illumination import cell_energy, cell_light
    from yieldsim.planning.survey.longest_dark import passage
    from yieldsim.runs.survey.blocks import LEAN_DEG, LEAN_SHARE, LEAST_LEAN_DEG, blocks

    site = _site_at(job, frame, 0.5 * (frame.rows - 1), 0.5 * (frame.columns - 1), typical_m)
    common = sun_at(site, job)
    years = common.hours / (job.year_days * HOURS_PER_DAY)
    maps = np.full((len(VARIABLES) - 1, *known.shape), np.nan, dtype=np.float32)
    lean_deg = LEAN_DEG if job.site.optical_depth is not None else np.inf
    for block in blocks(frame, known, job.stride, lean_deg):
        own = _seen_from(job, frame, common, *block.middle)
        by_azimuth, lowest, highest = block.horizons(horizon)
        path = replace(common, beam_w_m2=own.beam_w_m2)
        tables = light_tables(path, job.azimuths, ANGLE_UNIT_DEG, int(lowest.min()), int(highest.max()))
        passing = passage(path, job.azimuths, ANGLE_UNIT_DEG, lowest, highest)
        light = cell_light(by_azimuth, tables, passing)
        shape = block.inside.shape
        maps[0, *block.part] = (light.lit_hours / path.hours).reshape(shape)
        maps[1, *block.part] = (light.any_hours / path.hours).reshape(shape)
        maps[2, *block.part] = (light.beam_kwh_m2 / years).reshape(shape)
        maps[5, *block.part] = light.longest_dark_hours.reshape(shape)
        maps[6, *block.part] = light.longest_dark_cut_fraction.reshape(shape)
    if job.collector is None:
        return maps
    from yieldsim.optics.acceptance import half_width_deg
    from yieldsim.planning.survey.collector_tables import turned_collector

    turned, north_deg = turned_collector(common, site, job.collector), _lean_deg(frame, job.stride)
    turns, width_deg = turned.turns_deg.size, half_width_deg(job.collector.acceptance_table)
    for block in blocks(frame, known, job.stride, min(LEAN_DEG, max(width_deg * LEAN_SHARE, LEAST_LEAN_DEG))):
        own = _seen_from(job, frame, common, *block.middle)
        by_azimuth, lowest, highest = block.horizons(horizon)
        above = common.elevation_deg + common.radius_deg > float(lowest.min()) * ANGLE_UNIT_DEG
        powered = np.flatnonzero(above)
        energies = energy_tables(
            common, job.azimuths, ANGLE_UNIT_DEG, int(lowest.min()), int(highest.max()),
            turned.power_w(own, powered), powered,
        )  # fmt: skip
        # azimuth of the tile's north against the block's own north
        off_deg = north_deg[block.part] - _lean_at_deg(frame, *(np.array([at]) for at in block.middle))
        wanted = (-off_deg * turns / 360.0).ravel() if job.as_mounted else None
        energy = cell_energy(by_azimuth, energies, turns, wanted)
        shape = block.inside.shape
        maps[3, *block.part] = (energy.delivered_kwh / years).reshape(shape)
        turn_deg = energy.turn.reshape(shape) * (360.0 / turns)
        maps[4, *block.part] = (job.collector.mounts[0].azimuth_deg + turn_deg + off_deg) % 360.0
    return maps


def _earth_in_sight(
    job: TileJob, frame: TileFrame, typical_m: float, horizon: NDArray[np.int16], known: NDArray[np.bool_]
) -> Float32Array:
    """Share of the time (rows, columns) that the Earth is in sight, as seen from the tile's middle."""
    from yieldsim.planning.survey.earth_visibility import earth_in_sight_fraction, earth_path
    from yieldsim.sky.sun_track import path_step_s

    site = _site_at(job, frame, 0.5 * (frame.rows - 1), 0.5 * (frame.columns - 1), typical_m)
    path = earth_path(_track_at(site, job), job.start_tdb_s, job.end_tdb_s, path_step_s(site.body))
    return earth_in_sight_fraction(path, horizon, known, job.azimuths)


def _seen_from(job: TileJob, frame: TileFrame, common: SunPath, row: float, column: float) -> SunPath:
    """The tile's path from a pixel of it."""
    from yieldsim.ground.local_sphere import LocalSphere
    from yieldsim.planning.survey.horizon_tables import seen_from

    latitude, longitude = frame.to_place(np.array([row]), np.array([column]))
    sphere = frame.sphere
    here = LocalSphere.at(float(latitude[0]), float(longitude[0]), sphere.equatorial_m, sphere.polar_m)
    return seen_from(common, job.site.body, sphere.axes, here.axes)


def _site_at(job: TileJob, frame: TileFrame, row: float, column: float, typical_m: float) -> Site:
    """The site at a pixel of the tile."""
    latitude, longitude = frame.to_place(np.array([row]), np.array([column]))
    return replace(
        job.site, latitude_deg=float(latitude[0]), longitude_deg=float(longitude[0]), elevation_m=typical_m
    )


def sun_at(site: Site, job: TileJob) -> SunPath:
    """The Sun's path over a site through the survey's span."""
    from yieldsim.planning.survey.horizon_tables import sun_path
    from yieldsim.sky.sun_track import path_step_s

    return sun_path(_track_at(site, job), site, job.start_tdb_s, job.end_tdb_s, path_step_s(site.body))


def _track_at(site: Site, job: TileJob) -> SunTrack:
    from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
    from yieldsim.sky.sun_track import prepare_track

    first, last = job.start_tdb_s, job.end_tdb_s
    ephemeris = open_ephemeris(site.body, first, last, extra=job.kernels)
    return prepare_track(
        ephemeris, site.body, site.latitude_deg, site.longitude_deg, site.elevation_m, first, last
    )


def _lean_deg(frame: TileFrame, stride: int) -> FloatArray:
    """Azimuth at each cell of the direction that is north at the tile's centre: near a pole the cells' norths part."""
    row, column = np.meshgrid(
        np.arange(0.0, frame.rows, stride), np.arange(0.0, frame.columns, stride), indexing="ij"
    )
    return _lean_at_deg(frame, row, column)


def _lean_at_deg(frame: TileFrame, row: FloatArray, column: FloatArray) -> FloatArray:
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
