"""A weighted sky put in order for sweeping: cells in blocks, blocks in bands of elevation, each band by azimuth."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.sunlight.cumulative_sky import WeightedSky
from yieldsim.planning.sunlight.histogram import cell_numbers

AZIMUTH_BINS = 360
BANDS_PER_REACH = 8.0
LOWEST_BAND_DEG = 1.0
CELLS_ACROSS_BLOCK = 4.0


class Bands(NamedTuple):
    """Blocks in bands: by period, class of radius and elevation, then by azimuth; and the cells of each block.

    block          (blocks, rates, 4)  by dust rate: sum of light times direction (east, north, up), and light, kWh;
        one rate: mean direction and light
    cell           (cells, rates, 4)   the same, block after block
    cells_of       (blocks + 1,)  where each block's cells start
    period         (bands,)
    radius_class   (bands,)
    ends           (bands, 6)  elevations, radians, of the lowest and the highest block; sine and cosine of each
    first          (bands, AZIMUTH_BINS + 1)  where each bin of azimuth starts among the blocks
    block_rad      half-diagonal of a block: cells lie within it of their block's direction
    """

    block: FloatArray
    cell: FloatArray
    cells_of: NDArray[np.int64]
    period: NDArray[np.int64]
    radius_class: NDArray[np.int64]
    ends: FloatArray
    first: NDArray[np.int64]
    block_rad: float


def banded(sky: WeightedSky, reach_deg: float) -> Bands:
    """The cells of a sky in blocks and bands that suit a reach. Places are those of a clean aperture's light: dust of any
    rate shifts a mean direction by little, and not out of its block."""
    block_deg = CELLS_ACROSS_BLOCK * sky.cell_deg
    height_deg = max(LOWEST_BAND_DEG, block_deg, reach_deg / BANDS_PER_REACH)
    classes = len(sky.class_radius_deg)
    lit = np.flatnonzero(sky.sums[0, :, 3] > 0.0)
    chapter = sky.period[lit] * np.int64(classes) + sky.radius_class[lit]
    # cells by block
    number = cell_numbers(sky.sums[0, lit, :3], block_deg)
    order = np.lexsort((number, chapter))
    lit, chapter, number = lit[order], chapter[order], number[order]
    starts = np.flatnonzero((np.diff(chapter, prepend=-1) != 0) | (np.diff(number, prepend=-1) != 0))
    counts = np.diff(np.append(starts, len(lit)))
    cell = np.ascontiguousarray(sky.sums[:, lit].transpose(1, 0, 2))
    block = np.add.reduceat(cell, starts, axis=0) if len(lit) else cell
    # blocks by band and bin
    east, north, up = block[:, 0, :3].T
    elevation = np.arctan2(up, np.hypot(east, north))
    bins = np.arctan2(east, north) % (2.0 * np.pi) * (AZIMUTH_BINS / (2.0 * np.pi))
    bin_of = np.minimum(bins.astype(np.int64), AZIMUTH_BINS - 1)
    band_of = chapter[starts] * 4000 + np.floor(np.degrees(elevation) / height_deg).astype(np.int64) + 1000
    order = np.lexsort((bin_of, band_of))
    band_of, bin_of, elevation = band_of[order], bin_of[order], elevation[order]
    band_starts = np.flatnonzero(np.diff(band_of, prepend=-1))
    bands = len(band_starts)
    place = np.repeat(np.arange(bands), np.diff(np.append(band_starts, len(band_of)))) * AZIMUTH_BINS + bin_of
    filled = np.bincount(place, minlength=bands * AZIMUTH_BINS).reshape(bands, AZIMUTH_BINS)
    first = np.empty((bands, AZIMUTH_BINS + 1), dtype=np.int64)
    first[:, 0] = band_starts
    first[:, 1:] = band_starts[:, None] + np.cumsum(filled, axis=1)
    cells_of = np.concatenate([[0], np.cumsum(counts[order])])
    cells = np.repeat(starts[order] - cells_of[:-1], counts[order]) + np.arange(len(lit))
    period, band_class = np.divmod(band_of[band_starts] // 4000, classes)
    low, high = (
        edge.reduceat(elevation, band_starts) if bands else np.empty(0) for edge in (np.minimum, np.maximum)
    )
    return Bands(
        block=_ready(block[order]),
        cell=_ready(cell[cells]),
        cells_of=cells_of,
        period=period,
        radius_class=band_class,
        ends=np.stack([low, high, np.sin(low), np.cos(low), np.sin(high), np.cos(high)], axis=1),
        first=first,
        block_rad=math.radians(block_deg) * 0.7072,
    )


def settled(bands: Bands, shares: FloatArray) -> Bands:
    """The same bands for one deposition rate, given as shares (rates,) of those kept."""
    block, cell = (np.einsum("r,nrk->nk", shares, rows)[:, None] for rows in (bands.block, bands.cell))
    return bands._replace(block=_ready(block), cell=_ready(cell))


def _ready(sums: FloatArray) -> FloatArray:
    """Rows (n, rates, 4) as kernels read them: of one rate, sums become mean directions once and for all."""
    if sums.shape[1] == 1:
        sums = np.concatenate([sums[..., :3] / np.maximum(sums[..., 3:], 1e-300), sums[..., 3:]], axis=2)
    return np.ascontiguousarray(sums)
