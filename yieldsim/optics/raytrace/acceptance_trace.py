"""Acceptance curves and grids: angles chosen where the curve bends, traced to an asked precision.

A curve is linear between its rows, as every reader of it takes it to be. Rows are added between others
until the traced value halfway agrees with the straight line within the precision, so a row more changes no
more than that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from yieldsim.base.errors import refusal
from yieldsim.base.model import Acceptance, BiaxialAcceptance, RoundAcceptance
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.scene import Scene
from yieldsim.optics.raytrace.tracer import SEED, Traced, directions_xyz, refine

SCOUT_DEG = np.array(
    [0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0, 9.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 88.0]
)  # fmt: skip
FINEST_DEG = 0.005
"""Rows are not set closer than this, or a tenth of their angle where that is less."""
GRID_FINEST_DEG = 0.02
"""The same along the axes of a grid, whose every row is a curve."""
STEEP = 4.0
"""A gap whose ends differ by more precisions than this is straight only if its halves are as well: the middle
of an S lies on its chord."""
PRINTED_OF_ITSELF, PRINTED_FLOOR = 0.05, 1e-4
"""At normal incidence, where every loss is printed: each is known to this part of itself, or to this share."""
PRINTED_PRECISION = 0.002
"""What is delivered at normal incidence is known to this part of itself, whatever wider precision the curve is
asked for: a coarse trace and a fine one say the same number there."""
MOST_ROWS = 160
MOST_GRID_ROWS = 90
"""Of a curve along an axis of a grid, before the rows that its straight lines can do without are left out."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Shares by cause along one angle; the last row accepts nothing.

    angle_deg   (rows,)
    share       (rows, causes.COUNT), error likewise
    """

    angle_deg: FloatArray
    share: FloatArray
    error: FloatArray
    rays: int


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Shares by cause over transverse (rows) and longitudinal (columns) angles from 0, mirrored beyond."""

    transverse_deg: FloatArray
    longitudinal_deg: FloatArray
    share: FloatArray
    error: FloatArray
    rays: int


@dataclass(frozen=True, slots=True)
class Ways:
    """How to trace a direction."""

    precision: float
    """Largest standard error of an accepted share, as a part of the share at normal incidence."""
    sun_radius_deg: float = 0.0
    spin: bool = False
    seed: int = SEED


def trace_curve(
    scene: Scene,
    ways: Ways,
    *,
    longitudinal_deg: float = 0.0,
    along_longitudinal: bool = False,
    most_rows: int = MOST_ROWS,
    finest_deg: float = FINEST_DEG,
    progress: Progress | None = None,
) -> Curve:
    """Acceptance along the transverse angle (or the longitudinal one), from 0 to where nothing more is
    accepted.

    longitudinal_deg   the other angle, held
    Raises InputError when no light at all arrives at normal incidence or near it.
    """
    rows: dict[float, tuple[FloatArray, FloatArray]] = {}
    rays = 0

    def add(angles: list[float], precision: float) -> None:
        nonlocal rays
        new = [angle for angle in angles if angle not in rows]
        if not new:
            return
        first, second = np.array(new), np.full(len(new), longitudinal_deg)
        directions = directions_xyz(*((second, first) if along_longitudinal else (first, second)))
        traced = _refined(scene, directions, ways, precision)
        rays += traced.rays
        for place, angle in enumerate(new):
            rows[angle] = (traced.share[place], traced.error[place])
        if progress is not None:
            progress(len(rows), most_rows)

    def accepted(angle: float) -> float:
        return float(rows[angle][0][loss_causes.DELIVERED])

    add(list(SCOUT_DEG), 0.01)
    peak = max(accepted(angle) for angle in rows)
    if peak <= 0.0:
        hint = "do the parts stand in one another's focus?"
        raise refusal("", "prescription", "lets no light into the fibre", hint=hint)
    precision = ways.precision * peak
    lit = [angle for angle in sorted(rows) if accepted(angle) > 0.25 * precision]
    beyond = [angle for angle in sorted(rows) if angle > lit[-1]]
    end = beyond[0] if beyond else 90.0
    # the scout's rows were rough: trace those inside again, then split where the curve bends
    inside = [angle for angle in sorted(rows) if angle < end]
    rows.clear()
    add(inside, precision)
    if longitudinal_deg == 0.0:
        asked = min(ways.precision, PRINTED_PRECISION) * peak
        printed = _refined(scene, directions_xyz(np.zeros(1), np.zeros(1)), ways, asked, True)
        rows[0.0] = (printed.share[0], printed.error[0])
        rays += printed.rays
    rows[end] = (rows[inside[-1]][0] * 0.0, rows[inside[-1]][1] * 0.0)
    if end < 90.0:
        rows.pop(end)
        add([end], precision)
    checked: set[tuple[float, float]] = set()
    halves: set[tuple[float, float]] = set()
    while len(rows) < most_rows:
        angles = sorted(rows)
        gaps = [
            (low, high)
            for low, high in pairwise(angles)
            if (low, high) not in checked and high - low > 2.0 * min(finest_deg, 0.1 * high)
        ]
        # widest misfits first: a gap can't hide more than the step between its ends, flat ones are tried once
        gaps.sort(key=lambda gap: -abs(accepted(gap[1]) - accepted(gap[0])))
        gaps = gaps[: most_rows - len(rows)]
        if not gaps:
            break
        add([0.5 * (low + high) for low, high in gaps], precision)
        for low, high in gaps:
            middle = 0.5 * (low + high)
            straight = 0.5 * (accepted(low) + accepted(high))
            if abs(accepted(middle) - straight) > precision:
                continue
            if abs(accepted(high) - accepted(low)) > STEEP * precision and (low, high) not in halves:
                halves |= {(low, middle), (middle, high)}
            else:
                checked |= {(low, middle), (middle, high)}
    angles = _until_dark(sorted(rows), accepted, 0.25 * precision)
    share = np.array([rows[angle][0] for angle in angles])
    error = np.array([rows[angle][1] for angle in angles])
    if share[-1, loss_causes.DELIVERED] > 0.0:
        share[-1, loss_causes.OUTSIDE_CONE] += share[-1, loss_causes.DELIVERED]
        share[-1, loss_causes.DELIVERED] = 0.0
    return Curve(np.array(angles), share, error, rays)


def trace_grid(scene: Scene, ways: Ways, progress: Progress | None = None) -> Grid:
    """Acceptance over both projected angles of a linear collector.

    The angles are those that a curve needs along each axis, and along both halfway out on the other: close together at an
    edge, far apart where the curve runs straight.
    """

    def cut(held_deg: float, along_longitudinal: bool) -> Curve:
        return trace_curve(
            scene,
            ways,
            longitudinal_deg=held_deg,
            along_longitudinal=along_longitudinal,
            most_rows=MOST_GRID_ROWS,
            finest_deg=GRID_FINEST_DEG,
        )

    along, across = cut(0.0, True), cut(0.0, False)
    tilted = cut(0.5 * float(along.angle_deg[-1]), False)
    aside = cut(0.5 * float(across.angle_deg[-1]), True)
    peak = float(
        max(across.share[:, loss_causes.DELIVERED].max(), along.share[:, loss_causes.DELIVERED].max())
    )
    misfit = ways.precision * peak
    transverse = np.unique(np.concatenate([needed_deg(across, misfit), needed_deg(tilted, misfit)]))
    longitudinal = np.unique(np.concatenate([needed_deg(along, misfit), needed_deg(aside, misfit)]))
    t, l = np.meshgrid(transverse, longitudinal, indexing="ij")  # noqa: E741
    rays = along.rays + across.rays + tilted.rays + aside.rays
    share = np.empty((*t.shape, loss_causes.COUNT))
    error = np.empty_like(share)
    for column in range(len(longitudinal)):
        directions = directions_xyz(t[:, column], l[:, column])
        traced = _refined(scene, directions, ways, ways.precision * peak)
        share[:, column], error[:, column] = traced.share, traced.error
        rays += traced.rays
        if progress is not None:
            progress(column + 1, len(longitudinal))
    # at normal incidence as the curve along the axis has it, every loss refined
    share[0, 0], error[0, 0] = across.share[0], across.error[0]
    for edge in (share[-1], share[:, -1]):
        edge[:, loss_causes.OUTSIDE_CONE] += edge[:, loss_causes.DELIVERED]
        edge[:, loss_causes.DELIVERED] = 0.0
    return Grid(transverse, longitudinal, share, error, rays)


def needed_deg(curve: Curve, misfit: float) -> FloatArray:
    """The angles of a curve without those that straight lines between the others reach within `misfit`."""
    angle, value = curve.angle_deg, curve.share[:, loss_causes.DELIVERED]
    kept = [0]
    while kept[-1] < len(angle) - 1:
        first = kept[-1]
        last = first + 1
        for far in range(first + 2, len(angle)):
            between = slice(first + 1, far)
            straight = np.interp(angle[between], angle[[first, far]], value[[first, far]])
            if np.abs(value[between] - straight).max() > misfit:
                break
            last = far
        kept.append(last)
    return np.asarray(angle[kept])


def behind_film(traced: Curve | Grid, kept: float) -> Curve | Grid:
    """A trace with the light that a film in front of it leaves, `kept`, and the rest booked to the film."""
    share = kept * traced.share
    share[..., loss_causes.FILM] += 1.0 - kept
    return replace(traced, share=share, error=kept * traced.error)


def table_of(traced: Curve | Grid, source_is_disc: bool, cause: int = loss_causes.DELIVERED) -> Acceptance:
    """The acceptance table of a trace.

    cause   another cause makes the table of that loss, for integrals over the sky
    """
    source: Literal["point", "disc"] = "disc" if source_is_disc else "point"
    share = np.minimum(traced.share[..., cause], 1.0)
    if isinstance(traced, Curve):
        return RoundAcceptance(incidence_deg=traced.angle_deg, acceptance_fraction=share, source=source)
    return BiaxialAcceptance(
        transverse_deg=traced.transverse_deg,
        longitudinal_deg=traced.longitudinal_deg,
        acceptance_fraction=share,
        source=source,
    )


def _refined(
    scene: Scene, directions: FloatArray, ways: Ways, precision: float, printed: bool = False
) -> Traced:
    return refine(
        scene,
        directions,
        precision=precision,
        sun_radius_deg=ways.sun_radius_deg,
        spin=ways.spin,
        seed=ways.seed,
        losses_of_themselves=PRINTED_OF_ITSELF if printed else None,
        losses_floor=PRINTED_FLOOR,
    )


def _until_dark(angles: list[float], accepted: Callable[[float], float], dark: float) -> list[float]:
    """The angles up to the first dark one behind the last lit one."""
    lit = max(place for place, angle in enumerate(angles) if accepted(angle) > dark)
    return angles[: min(lit + 2, len(angles))]
