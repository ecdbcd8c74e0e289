"""The Sun over a tile, as a survey uses it: its path through the span, and by azimuth how much of it each horizon lets through.

The Sun's direction is the same for all cells of a tile, and so are the horizontal against which horizons are measured and the
weights of the light. So what a cell receives is, for each azimuth, one number read off a table by the cell's horizon there: the
light of all passes of the Sun through that azimuth, cut by a straight edge across the disc. The sum over azimuths is the year.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.clock import utc_from_tdb
from yieldsim.base.constants import SECONDS_PER_HOUR, SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.model import Body, Site
from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray, azimuth_elevation_deg, direction_enu_xyz
from yieldsim.base.sun_disc import strips
from yieldsim.ground.visible_disc import disc_shares
from yieldsim.sky.eclipse import occulter_beside
from yieldsim.sky.sun_track import SunTrack, middles_s

MOST_ROWS = 600
TOGETHER = 4
"""Neighbouring azimuths whose energies are added at a time."""
FINEST_ROW_DEG = 0.01
SHARE_REACH = 1.2
"""Discs are looked at so many radii about their centre, the largest that share a size among them."""
SIZE_SHARE = 0.04
"""Discs are of one size whose radii differ by at most this share: on the Moon all are, moving by 3.9 % over the year, 0.01 deg."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SunPath:
    """The Sun at the middles of equal steps through the span, (time,) each.

    clear      share of the disc that no eclipse hides
    beam_w_m2  direct light facing the Sun, eclipses and air counted, the ground not
    above_air_w_m2   the same above the air
    optical_depth    of the air overhead; None: there is none
    """

    tdb_s: FloatArray
    step_hours: float
    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    radius_deg: FloatArray
    clear: FloatArray
    beam_w_m2: FloatArray
    above_air_w_m2: FloatArray
    optical_depth: FloatArray | None = None

    @property
    def hours(self) -> float:
        """Length of the span."""
        return self.step_hours * self.tdb_s.size


def sun_path(track: SunTrack, site: Site, start_tdb_s: float, end_tdb_s: float, step_s: float) -> SunPath:
    """The Sun's path over a site, at the middles of steps of about `step_s`."""
    tdb_s = middles_s(start_tdb_s, end_tdb_s, step_s)
    sun = track.discs(tdb_s)
    # with the horizon straight down only eclipses are left
    clear = disc_shares(*sun, occulter_beside(track, tdb_s), None, 90.0)[:, 1]
    beam = above_air = SOLAR_IRRADIANCE_1AU_W_M2 / track.directions(tdb_s)[2] ** 2 * clear
    depth = None
    if site.optical_depth is not None:
        from yieldsim.sky.atmosphere import add_air

        air = add_air(track.dataset(tdb_s, utc_from_tdb(tdb_s)), site, tdb_s)
        depth, beam = air["optical_depth"].values, above_air * air["beam_transmittance"].values
    return SunPath(
        tdb_s=tdb_s,
        step_hours=(end_tdb_s - start_tdb_s) / tdb_s.size / SECONDS_PER_HOUR,
        azimuth_deg=sun.azimuth_deg,
        elevation_deg=sun.elevation_deg,
        radius_deg=sun.radius_deg,
        clear=clear,
        beam_w_m2=beam,
        above_air_w_m2=above_air,
        optical_depth=depth,
    )


def seen_from(path: SunPath, body: Body, axes_xyz: FloatArray, other_axes_xyz: FloatArray) -> SunPath:
    """The path from another place of the tile: the same directions in space against other axes (rows east, north, up), and through as
    much air as they are high there.

    Neglects the Sun's parallax between the two, 2e-5 deg at 60 km.
    """
    turn = axes_xyz @ other_axes_xyz.T
    azimuth, elevation = azimuth_elevation_deg(direction_enu_xyz(path.azimuth_deg, path.elevation_deg) @ turn)
    beam = path.beam_w_m2
    if path.optical_depth is not None:
        from yieldsim.sky.atmosphere import air_mass_over, beam_transmittance

        beam = path.above_air_w_m2 * beam_transmittance(path.optical_depth, air_mass_over(body, elevation))
    return replace(path, azimuth_deg=azimuth, elevation_deg=elevation, beam_w_m2=beam)


# ---------------------------------------------------------------- tables by horizon


class LightTables(NamedTuple):
    """What passes a horizon, by azimuth and row; row r is a horizon at lowest + r * rows_step, in the sweep's angle units.

    Horizons below the first row hide no more than it, those above the last no less.

    light      (azimuth, rows, 3) hours lit (by share of the disc), hours with any part lit, kWh/m2 of beam
    """

    lowest: int
    rows_step: int
    light: Float32Array


class EnergyTables(NamedTuple):
    """What a collector delivers of the light that passes a horizon, by azimuth and row, as in `LightTables`.

    turned     (azimuth, rows, width) kWh delivered, for the turns from first_turn on, wrapping; azimuths filled up to whole groups of
               TOGETHER, with nothing
    first_turn (azimuth / TOGETHER,)
    dark_row   (azimuth,) the row from which on nothing is delivered; the last, one beyond the horizons', at the latest
    """

    lowest: int
    rows_step: int
    turned: Float32Array
    first_turn: NDArray[np.int64]
    dark_row: NDArray[np.int64]


class Rows(NamedTuple):
    """Rows of a table for horizons between two angles.

    lowest   of the first row, in angle units
    horizons rows of horizons; the Sun's own rows are `depth`: `pad` more on either side, and as many again for every size of its disc
    place    (time,) of the Sun among the azimuths
    height   (time,) of its centre among its own rows
    share    (sizes, horizons + depth - 1) of the disc in sight, by rows of its centre above the horizon, from horizons - 1 below
    touched  the same: 1 where any part of it is
    """

    lowest: int
    step: int
    horizons: int
    depth: int
    place: FloatArray
    height: FloatArray
    share: FloatArray
    touched: FloatArray


def visible_share(cut: FloatArray) -> FloatArray:
    """Share of the disc's light above a straight edge `cut` disc radii above its centre."""
    disc = strips()
    steps = disc.cumulative.shape[1] - 1
    at = np.clip((cut[..., None] / disc.half_chord + 1.0) * 0.5 * steps, 0.0, steps)
    low = np.minimum(at.astype(np.int64), steps - 1)
    share = at - low
    strip = np.arange(disc.x.size)
    below = disc.cumulative[strip, low] * (1.0 - share) + disc.cumulative[strip, low + 1] * share
    return np.asarray(1.0 - below.sum(axis=-1))


def rows_of(path: SunPath, azimuth_count: int, unit_deg: float, lowest: int, highest: int) -> Rows:
    """The rows for horizons between lowest and highest (angle units), and where the Sun stands among them.

    Times whose discs differ by little share a size: one on the Moon, some five on Mars, a dozen on Mercury. Horizons beyond the
    Sun's own range need no rows: all of it passes, or nothing.
    """
    reach = SHARE_REACH * float(path.radius_deg.max()) + FINEST_ROW_DEG
    bottom = int(np.floor((float(path.elevation_deg.min()) - reach) / unit_deg))
    top = int(np.ceil((float(path.elevation_deg.max()) + reach) / unit_deg))
    lowest, highest = min(max(lowest, bottom), top), max(min(highest, top), bottom)
    step = max(1, round(FINEST_ROW_DEG / unit_deg), -(-(highest - lowest) // MOST_ROWS))
    smallest, largest = float(path.radius_deg.min()), float(path.radius_deg.max())
    sizes = max(1, int(np.ceil((largest - smallest) / (SIZE_SHARE * largest))))
    width = (largest - smallest) / sizes
    size = np.minimum((path.radius_deg - smallest) / (width or 1.0), sizes - 1).astype(np.int64)
    radius = (smallest + width * (np.arange(sizes) + 0.5))[:, None]
    count = (highest - lowest) // step + 2
    # passes above or below all horizons by a disc act as one; keep rows for them on either side
    pad = int(np.ceil(SHARE_REACH * largest / (unit_deg * step))) + 1
    depth = count + 2 * pad
    # rows of the disc's centre above the horizon; the share depends on nothing else
    above = np.arange(-count - pad + 1, depth - pad)
    height = np.clip((path.elevation_deg / unit_deg - lowest) / step + pad, 0.0, depth - 1.001)
    return Rows(
        lowest=lowest,
        step=step,
        horizons=count,
        depth=depth,
        place=path.azimuth_deg / 360.0 * azimuth_count,
        height=height + size * depth,
        share=visible_share(-above * (step * unit_deg) / radius),
        touched=np.clip(above + radius / (step * unit_deg) + 0.5, 0.0, 1.0),
    )


def light_tables(
    path: SunPath, azimuth_count: int, unit_deg: float, lowest: int, highest: int
) -> LightTables:
    """Tables for horizons between lowest and highest (angle units), at `azimuth_count` azimuths evenly from north.

    Each time of the path is shared between the two nearest azimuths and the two nearest rows, which keeps means exact.
    """
    rows = rows_of(path, azimuth_count, unit_deg, lowest, highest)
    hours, kwh = path.step_hours, path.step_hours / 1000.0
    seen = path.clear * hours, (path.clear > 0.0) * hours, path.beam_w_m2 * kwh
    # light by azimuth and row of the Sun: from here on the length of the path costs nothing
    counted = np.zeros((3, azimuth_count * rows.share.shape[0] * rows.depth))
    for azimuth, cell, weight in _corners(rows.place, rows.height, azimuth_count):
        at = azimuth * (rows.share.shape[0] * rows.depth) + cell
        for k in range(3):
            counted[k] += np.bincount(at, weight * seen[k], counted.shape[1])
    by_row = np.moveaxis(counted.reshape(3, azimuth_count, -1), 0, 2)
    light = np.empty((azimuth_count, rows.horizons, 3), dtype=np.float32)
    for number, of_azimuth in enumerate(by_row):
        by_share, by_touch = (
            np.ascontiguousarray(of_azimuth[:, part]) for part in (slice(0, 3, 2), slice(1, 2))
        )
        light[number, :, ::2] = cut(rows.share, rows.depth, by_share, rows.horizons)
        light[number, :, 1:2] = cut(rows.touched, rows.depth, by_touch, rows.horizons)
    return LightTables(rows.lowest, rows.step, light)


def energy_tables(
    path: SunPath,
    azimuth_count: int,
    unit_deg: float,
    lowest: int,
    highest: int,
    power_w: Float32Array,
    powered: NDArray[np.int64],
) -> EnergyTables:
    """The same for what a collector delivers, for the arc of turns that any Sun in an azimuth reaches.

    power_w, powered   delivered power (chosen, turns) and the times of the path that it is for
    """
    rows = rows_of(path, azimuth_count, unit_deg, lowest, highest)
    turns, kwh = power_w.shape[1], path.step_hours / 1000.0
    spread = _spread(rows.place[powered], rows.height[powered], azimuth_count)
    groups = -(-azimuth_count // TOGETHER)
    lit = np.zeros((groups, turns), dtype=bool)
    for azimuth in range(azimuth_count):
        lit[azimuth // TOGETHER] |= (power_w[spread(azimuth)[2]] > 0.0).any(axis=0)
    arcs = [_arc(reached) for reached in lit]
    firsts, width = np.array([first for first, _ in arcs]), max(width for _, width in arcs)
    turned = np.zeros((groups * TOGETHER, rows.horizons + 1, width), dtype=np.float32)
    for azimuth in range(azimuth_count):
        cell, weight, times = spread(azimuth)
        first, columns = arcs[azimuth // TOGETHER]
        counted = np.zeros((rows.share.shape[0] * rows.depth, columns))
        _count(counted, cell, weight * kwh, power_w, times, first)
        turned[azimuth, :-1, :columns] = cut(rows.share, rows.depth, counted, rows.horizons)
    some = np.asarray(turned.any(axis=2))
    dark_row = np.where(some.any(axis=1), some.shape[1] - np.argmax(some[:, ::-1], axis=1), 0)
    return EnergyTables(rows.lowest, rows.step, turned, firsts, dark_row)


@njit(cache=True)
def _count(
    counted: FloatArray,
    at: NDArray[np.int64],
    weight: FloatArray,
    power_w: Float32Array,
    times: NDArray[np.int64],
    first_turn: int,
) -> None:
    """Add weighted power of the turns from the first on, wrapping, to the rows `at` of counted (rows, turns)."""
    turns = power_w.shape[1]
    for n in range(at.shape[0]):
        for k in range(counted.shape[1]):
            turn = first_turn + k
            counted[at[n], k] += weight[n] * power_w[times[n], turn if turn < turns else turn - turns]


@njit(cache=True)
def cut(share: FloatArray, depth: int, counted: FloatArray, rows: int) -> Float32Array:
    """What horizons at each row let through (rows, columns) of light `counted` (sizes * depth, columns) at the Sun's own rows.

    share   (sizes, rows + depth - 1) by rows of the Sun above the horizon, from rows - 1 below; see `Rows`

    Rows from which on the whole disc is in sight come as their sum. Plain sums in a fixed order: a library's matrix product may add
    in another order on another number of threads.
    """
    sizes, columns = share.shape[0], counted.shape[1]
    total, above = np.zeros((rows, columns)), np.zeros((depth + 1, columns))
    some = np.empty(depth, dtype=np.bool_)
    for size in range(sizes):
        begin, end = 0, share.shape[1]
        while end > 0 and share[size, end - 1] >= 1.0:
            end -= 1
        while begin < end and share[size, begin] <= 0.0:
            begin += 1
        for sun in range(depth - 1, -1, -1):
            some[sun] = False
            for column in range(columns):
                value = counted[size * depth + sun, column]
                above[sun, column] = above[sun + 1, column] + value
                some[sun] |= value > 0.0
        for row in range(rows):
            off = row - rows + 1
            for sun in range(max(begin + off, 0), min(end + off, depth)):
                if some[sun]:
                    for column in range(columns):
                        total[row, column] += share[size, sun - off] * counted[size * depth + sun, column]
            whole = min(max(end + off, 0), depth)
            for column in range(columns):
                total[row, column] += above[whole, column]
    return total.astype(np.float32)


def _corners(
    place: FloatArray, height: FloatArray, azimuths: int
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64], FloatArray]]:
    """Azimuth, row and weight (time,) of each of the four by which times are shared over two azimuths and two rows."""
    at, row = np.floor(place).astype(np.int64), np.floor(height).astype(np.int64)
    over, up = place - at, height - row
    for k, beside in enumerate((1.0 - over, over)):
        for j, higher in enumerate((1.0 - up, up)):
            yield (at + k) % azimuths, row + j, beside * higher


def _spread(place: FloatArray, height: FloatArray, azimuths: int):  # type: ignore[no-untyped-def]
    """For each azimuth: (row, weight, time) of the times that belong to it."""
    azimuth, cell, weight = (
        np.concatenate(part) for part in zip(*_corners(place, height, azimuths), strict=True)
    )
    time = np.concatenate([np.arange(place.size)] * 4)
    order = np.argsort(azimuth, kind="stable")
    bounds = np.searchsorted(azimuth[order], np.arange(azimuths + 1))

    def of(number: int) -> tuple[NDArray[np.int64], FloatArray, NDArray[np.int64]]:
        part = order[bounds[number] : bounds[number + 1]]
        return cell[part], weight[part], time[part]

    return of


def _arc(reached: NDArray[np.bool_]) -> tuple[int, int]:
    """Shortest arc of a circle (first, width) that holds all True places."""
    places = np.flatnonzero(reached)
    if places.size == 0:
        return 0, 0
    gaps = np.diff(np.append(places, places[0] + reached.size))
    widest = int(np.argmax(gaps))
    first = int(places[(widest + 1) % places.size])
    return first, int(reached.size - gaps[widest] + 1)
