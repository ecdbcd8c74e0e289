"""The most that any fixed aperture on this fibre could deliver: energy spread over the sky against the fibre's etendue.

A fixed aperture of area A turns a patch of sky d(omega) into etendue A cos(incidence) d(omega), and the fibre takes
G = pi NA^2 A_fibre in all. Whatever the optics, an aperture with normal n delivers at most the light of the brightest patches whose
etendue fills G:

    bound(n) = A * sum over patches, brightest (energy per solid angle) first, of energy * cos, until A * sum d(omega) cos = G

(etendue: Winston, Minano, Benitez, Nonimaging Optics, 2005, from memory). The bound over all facings is the largest
bound(n) on a grid of normals, with every cosine taken at the nearest a facing between grid points could bring it, so that
no direction in between beats it. The patches are cells of the sky no wider than the Sun's radius over which each sample's
disc is spread.
"""

from __future__ import annotations

import math

import numpy as np
from numba import prange

from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray, direction_enu_xyz
from yieldsim.base.sun_disc import sample_points

CELL_DEG = 0.25
FACING_STEP_DEG = 4.0
WIDE_STEP_DEG = 12.0
FACINGS_AT_ONCE = 64
LANES = 256


class SkyEnergy:
    """Beam energy by direction, kWh/m2 on a plane facing the Sun, gathered block by block."""

    def __init__(self) -> None:
        """Start with an empty sky."""
        self._kwh_m2 = np.zeros((round(180.0 / CELL_DEG), round(360.0 / CELL_DEG)))

    def gather(
        self, azimuth_deg: FloatArray, elevation_deg: FloatArray, radius_deg: FloatArray, kwh_m2: FloatArray
    ) -> None:
        """Add samples (n,) of beam energy, each spread over its disc."""
        lit = kwh_m2 > 0.0
        azimuth, elevation, radius, energy = (
            a[lit] for a in (azimuth_deg, elevation_deg, radius_deg, kwh_m2)
        )
        points, weights = sample_points(3, 8)
        spread_over_cells(
            self._kwh_m2, azimuth, elevation, radius, energy, CELL_DEG, np.column_stack([points, weights])
        )

    def bound_kwh(self, aperture_area_m2: float, etendue_m2_sr: float) -> float:
        """Upper bound of the energy through one aperture and one fibre over all facings, kWh."""
        rows, columns = np.nonzero(self._kwh_m2)
        if len(rows) == 0:
            return 0.0
        edges = np.radians(np.arange(self._kwh_m2.shape[0] + 1) * CELL_DEG - 90.0)
        solid_sr = (np.diff(np.sin(edges)) * math.radians(CELL_DEG))[rows]
        energy = self._kwh_m2[rows, columns]
        order = np.argsort(-energy / solid_sr, kind="stable")
        direction = direction_enu_xyz((columns + 0.5) * CELL_DEG, (rows + 0.5) * CELL_DEG - 90.0)
        # half the diagonal of a grid square, and of a cell
        slack_rad = math.radians((FACING_STEP_DEG + CELL_DEG) / math.sqrt(2.0))
        cells = (direction[order], energy[order], solid_sr[order], etendue_m2_sr / aperture_area_m2)
        return aperture_area_m2 * largest_kwh_m2(slack_rad, cells)


def largest_kwh_m2(slack_rad: float, cells: tuple[FloatArray, FloatArray, FloatArray, float]) -> float:
    """The largest of `filled_kwh_m2` over all facings of the grid, most of which need no look of their own.

    More slack only raises it, so a facing of a wide grid, with the way to those around it as slack, bounds them all.
    """
    facings, wide = facings_enu_xyz(FACING_STEP_DEG), facings_enu_xyz(WIDE_STEP_DEG)
    cosines = facings @ wide.T
    around = math.acos(float(cosines.max(axis=1).min()))
    at_most = filled_kwh_m2(wide, slack_rad + around, *cells)[cosines.argmax(axis=1)]
    order = np.argsort(-at_most, kind="stable")
    largest = 0.0
    for first in range(0, len(order), FACINGS_AT_ONCE):
        if at_most[order[first]] <= largest:
            break
        some = filled_kwh_m2(facings[order[first : first + FACINGS_AT_ONCE]], slack_rad, *cells)
        largest = max(largest, float(some.max()))
    return largest


def facings_enu_xyz(step_deg: float) -> FloatArray:
    """Normals (n, 3) over the whole sphere, none farther than half the diagonal of a step from its neighbour."""
    normals = []
    for elevation_deg in np.linspace(-90.0, 90.0, round(180.0 / step_deg) + 1):
        count = max(1, math.ceil(360.0 * math.cos(math.radians(elevation_deg)) / step_deg))
        azimuth_deg = np.arange(count) * 360.0 / count
        normals.append(direction_enu_xyz(azimuth_deg, np.full(count, elevation_deg)))
    return np.concatenate(normals)


@njit(cache=True)
def spread_over_cells(
    cells: FloatArray,
    azimuth_deg: FloatArray,
    elevation_deg: FloatArray,
    radius_deg: FloatArray,
    energy: FloatArray,
    cell_deg: float,
    points: FloatArray,
) -> None:
    """Add each sample's energy to the cells (elevation, azimuth) under its disc; points rows are (x, y, weight)."""
    rows, columns = cells.shape
    for i in range(azimuth_deg.shape[0]):
        stretch = radius_deg[i] / max(math.cos(math.radians(elevation_deg[i])), 0.01)
        for k in range(points.shape[0]):
            up = elevation_deg[i] + points[k, 1] * radius_deg[i] + 90.0
            along = (azimuth_deg[i] + points[k, 0] * stretch) % 360.0
            row = min(max(int(up / cell_deg), 0), rows - 1)
            column = min(int(along / cell_deg), columns - 1)
            cells[row, column] += energy[i] * points[k, 2]


@njit(cache=True, parallel=True)
def filled_kwh_m2(
    normals: FloatArray,
    slack_rad: float,
    direction: FloatArray,
    energy: FloatArray,
    solid_sr: FloatArray,
    projected_limit_sr: float,
) -> FloatArray:
    """Energy per area (normals,) from cells, brightest first, until their projected solid angle fills the limit.

    Every cosine is that of the incidence less `slack_rad`, at most 1.
    """
    result = np.zeros(normals.shape[0])
    cos_slack, sin_slack = math.cos(slack_rad), math.sin(slack_rad)
    east, north, up = direction[:, 0].copy(), direction[:, 1].copy(), direction[:, 2].copy()
    for n in prange(normals.shape[0]):
        left = projected_limit_sr
        total = 0.0
        # some cells' cosines at once, which the machine computes side by side
        cosines = np.empty(LANES)
        for first in range(0, direction.shape[0], LANES):
            count = min(LANES, direction.shape[0] - first)
            for k in range(count):
                cosine = (
                    normals[n, 0] * east[first + k]
                    + normals[n, 1] * north[first + k]
                    + normals[n, 2] * up[first + k]
                )
                # cos(incidence - slack)
                near = cosine * cos_slack + math.sqrt(max(1.0 - cosine * cosine, 0.0)) * sin_slack
                cosines[k] = 1.0 if cosine >= cos_slack else near
            for k in range(count):
                cosine = cosines[k]
                if cosine <= 0.0:
                    continue
                takes = solid_sr[first + k] * cosine
                if takes >= left:
                    total += energy[first + k] * cosine * left / takes
                    left = 0.0
                    break
                total += energy[first + k] * cosine
                left -= takes
            if left <= 0.0:
                break
        result[n] = total
    return result
