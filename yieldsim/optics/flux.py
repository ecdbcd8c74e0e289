"""Peak flux of a spot resolved by cells that shrink until it no longer rises, and where the focus lands off axis.

The brightest cell is chosen by one half of the rays and measured by the other, both ways round, so that
choosing it doesn't raise the answer. Cells start at a ninth of the plane's width and length; either
is halved, whichever shows more.

Off axis the focus leaves the funnel's mouth (or the fibre's face) over its rim and walks over the housing
around it, taken to lie in the mouth's plane. The temperature there is that of a grey, insulated surface that
absorbs the flux and radiates from that side alone, T^4 = q / s + Thousing^4 (`heat.radiative_balance_k`): no
conduction, so an upper bound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.constants import SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.prescription_model import Prescription
from yieldsim.base.sun_disc import angular_radius_deg
from yieldsim.optics.raytrace.scene import Scene
from yieldsim.optics.raytrace.tracer import directions_xyz, record
from yieldsim.optics.steady_temperatures import radiative_balance_k

FIRST_CELLS = 9
OBLONG = 3.0
"""Length over width beyond which the first cells are as long as the plane."""
FEWEST_RAYS = 100
"""In the brightest cell: fewer tell nothing."""
LARGEST_ERROR = 0.015
"""Of the brightest cell's flux: smaller cells would tell how the lattice of rays clumps."""
SIGNIFICANT = 3.0
"""Standard errors by which smaller cells must show more flux."""
WALK_RAYS, HOTTEST_RAYS = 1 << 16, 1 << 19
"""At each angle tried, and once more at the hottest, whose spot is resolved finer."""
WALK_STEPS = 12
FARTHEST_DEG = 45.0


@dataclass(frozen=True, slots=True)
class Peak:
    """Flux in the brightest cell, one standard error, the cell's width, and where it lies."""

    w_cm2: float
    error_w_cm2: float
    over_mm: float
    x_mm: float
    y_mm: float


@dataclass(frozen=True, slots=True)
class WalkedOff:
    """The hottest place beside the mouth over all directions of the Sun tried."""

    angle_deg: float
    peak: Peak
    beside_w: float
    temperature_k: float


def peak_flux(x_m: FloatArray, y_m: FloatArray, watts: FloatArray, half_m: tuple[float, float]) -> Peak:
    """Peak of light (rays,) that lands at places (rays,) of a plane, cells counted from its middle.

    half_m   half-widths of the plane that set the first cells
    """
    lit = watts > 0.0
    x, y, watts = x_m[lit], y_m[lit], watts[lit]
    best = Peak(0.0, 0.0, 2e3 * half_m[0] / FIRST_CELLS, 0.0, 0.0)
    if x.size == 0:
        return best
    halves = np.arange(x.size, dtype=np.int64) % 2
    # the light behind straight grooves is a line as long as the plane
    rows = 1 if half_m[1] > OBLONG * half_m[0] else FIRST_CELLS
    cells = [(2.0 * half_m[0] / FIRST_CELLS, 2.0 * half_m[1] / rows)]
    while True:
        tried = [(_brightest(x, y, watts, halves, *wide), wide) for wide in cells]
        # which way a spot is narrow, or a line, is not known: the brighter of the two goes on
        good = [
            (found.w_cm2, found, wide)
            for found, wide in tried
            if found is not None and (best.w_cm2 == 0.0 or found.error_w_cm2 <= LARGEST_ERROR * found.w_cm2)
        ]
        if not good:
            return best
        _, found, (wide_x, wide_y) = max(good, key=lambda row: row[0])
        if found.w_cm2 - best.w_cm2 > SIGNIFICANT * math.hypot(found.error_w_cm2, best.error_w_cm2):
            best = found
        cells = [(0.5 * wide_x, wide_y), (wide_x, 0.5 * wide_y)]


def _brightest(
    x: FloatArray, y: FloatArray, watts: FloatArray, halves: NDArray[np.int64], wide_x: float, wide_y: float
) -> Peak | None:
    """Flux in the brightest cells; None where too few rays are in them."""
    column, row = np.rint(x / wide_x).astype(np.int64), np.rint(y / wide_y).astype(np.int64)
    across = int(row.max() - row.min()) + 1
    _, cell = np.unique((column - column.min()) * across + (row - row.min()), return_inverse=True)
    power = np.stack([np.bincount(cell, watts * (halves == half), cell.max() + 1) for half in (0, 1)])
    chosen = power.argmax(axis=1)
    if np.isin(cell, chosen).sum() < FEWEST_RAYS:
        return None
    area_cm2 = 1e4 * wide_x * wide_y
    flux = float(power[1, chosen[0]] + power[0, chosen[1]]) / area_cm2
    squares = sum(float((watts[(cell == chosen[h]) & (halves != h)] ** 2).sum()) for h in (0, 1))
    at = cell == chosen[0]
    return Peak(
        flux,
        math.sqrt(squares) / area_cm2,
        1e3 * min(wide_x, wide_y),
        1e3 * float(column[at][0]) * wide_x,
        1e3 * float(row[at][0]) * wide_y,
    )


def mouth_half_m(scene: Scene) -> tuple[float, float, bool]:
    """Half-widths of the funnel's mouth (or the fibre's face), and whether it is round."""
    station, funnel = scene.parts.station[0], scene.parts.funnel[0]
    if station["has_funnel"]:
        return float(funnel["mouth_x"]), float(funnel["mouth_y"]), bool(funnel["is_round"])
    return float(station["face_x"]), float(station["face_y"]), bool(station["face_round"])


def light_at_mouth(
    prescription: Prescription, scene: Scene, angle_deg: float, kept: float, rays: int = HOTTEST_RAYS
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where rays meet the mouth's plane, x and y in m, and their watts, (rays,) each, the Sun's disc off axis.

    kept   what the film leaves
    """
    distance_au = prescription.heat.sun_distance_au
    power = SOLAR_IRRADIANCE_1AU_W_M2 / distance_au**2 * scene.aperture_area_m2
    seen = record(
        scene,
        directions_xyz(np.array(angle_deg), np.array(0.0)),
        rays=rays,
        sun_radius_deg=float(angular_radius_deg(distance_au)),
    )
    return seen.mouth_x_m, seen.mouth_y_m, seen.mouth_weight * kept * power / seen.rays


def focus_beside_mouth(prescription: Prescription, scene: Scene, kept: float) -> WalkedOff | None:
    """The brightest light beside the mouth while the Sun goes from its axis sideways (across, where straight).

    kept   what the film leaves
    The angles run from where the focus begins to reach over the rim to FARTHEST_DEG. None where nothing
    ever lands there.
    """
    half_x, half_y, is_round = mouth_half_m(scene)
    behind = prescription.funnel or prescription.fibre
    rim_deg = math.degrees(math.atan2(half_x, behind.distance_m + prescription.lens.thickness_m))
    rim_deg = min(rim_deg, 0.5 * FARTHEST_DEG)
    angles = np.concatenate(
        [rim_deg * np.array([0.9, 1.0, 1.1]), np.geomspace(1.2 * rim_deg, FARTHEST_DEG, WALK_STEPS - 3)]
    )

    def beside(angle_deg: float, rays: int) -> tuple[Peak, float]:
        x, y, watts = light_at_mouth(prescription, scene, angle_deg, kept, rays)
        inside = x**2 + y**2 <= half_x**2 if is_round else (np.abs(x) <= half_x) & (np.abs(y) <= half_y)
        watts = np.where(inside, 0.0, watts)
        return peak_flux(x, y, watts, (half_x, half_y)), float(watts.sum())

    hottest_deg = max(map(float, angles), key=lambda angle: beside(angle, WALK_RAYS)[0].w_cm2)
    peak, watts = beside(hottest_deg, HOTTEST_RAYS)
    if peak.w_cm2 <= 0.0:
        return None
    sink = prescription.heat.housing_temperature_k
    return WalkedOff(hottest_deg, peak, watts, radiative_balance_k(1e4 * peak.w_cm2, [(1.0, sink)]))
