"""What a survey keeps in mind of a finished tile while its maps lie in the store: counts, and its best cells."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.planning.survey.permanent_shadow import never_lit, never_lit_km2
from yieldsim.planning.survey.site_selection import Area, Cell, best_cell
from yieldsim.runs.survey.cell_areas import cell_areas_km2
from yieldsim.runs.survey.options import GOALS
from yieldsim.runs.survey.tiles import CLEAR_OF, LEAST_LIGHT, VARIABLES, Tile, TileJob


@dataclass(frozen=True, slots=True, kw_only=True)
class TileReport:
    """Of one tile, or of all.

    cells          of known ground
    cut_cells      whose longest dark an end of the span cuts
    filled         pixels of unknown height in small holes that its views fill, at most
    bounded_cells  whose light holes of unknown height bound
    never_lit_km2  ground of cells that no part of the Sun's disc is in sight of throughout the span
    bounded_most   share of the time by which the two bounds differ, at most
    best           by variable of a goal: value (as the goal counts it, more being better), row and column on the whole map
    """

    cells: int
    cut_cells: int
    filled: int
    bounded_cells: int
    bounded_most: float
    never_lit_km2: float
    best: Mapping[str, Cell | None]

    def told(self) -> dict[str, Any]:
        """As plain values, for the manifest."""
        return asdict(self)


def report_of(job: TileJob, tile: Tile, first: tuple[int, int], maps: Float32Array) -> TileReport:
    """The report of a tile's maps (layers, rows, columns); first: row and column of the survey's first pixel."""
    lit, cut = maps[VARIABLES.index("lit_fraction")], maps[VARIABLES.index("longest_dark_cut_fraction")]
    bounded_cells, bounded_most = 0, 0.0
    if job.unknown_ground == "bounds":
        gap = maps[len(VARIABLES)] - maps[CLEAR_OF[0]]
        bounded_cells = int(np.sum(gap > LEAST_LIGHT))
        bounded_most = float(np.nanmax(gap, initial=0.0))
    any_light = maps[VARIABLES.index("any_light_fraction")]
    shadow_km2 = never_lit_km2(any_light, cell_areas_km2(job, tile)) if never_lit(any_light).any() else 0.0
    area = area_of(job, tile, first)
    best = {
        variable: best_cell(sign * maps[VARIABLES.index(variable)].astype(np.float64), area)
        for variable, sign in GOALS.values()
    }
    return TileReport(
        cells=int(np.isfinite(lit).sum()),
        cut_cells=int(np.nansum(cut)),
        filled=int(np.nanmax(maps[-1], initial=0.0)),
        bounded_cells=bounded_cells,
        bounded_most=bounded_most,
        never_lit_km2=round(shadow_km2, 9),
        best=best,
    )


def area_of(job: TileJob, tile: Tile, first: tuple[int, int]) -> Area:
    """A tile's cells on the survey's map."""
    _, rows, columns = job.shape(tile)
    return Area((tile.row - first[0]) // job.stride, (tile.column - first[1]) // job.stride, rows, columns)


def told_again(told: Mapping[str, Any]) -> TileReport | None:
    """A report out of the manifest; None where it is none."""
    try:
        best = {
            name: None if cell is None else (float(cell[0]), int(cell[1]), int(cell[2]))
            for name, cell in told["best"].items()
        }
        return TileReport(**{**told, "best": best})
    except (KeyError, TypeError, ValueError, IndexError, AttributeError):
        return None


def all_of(reports: Sequence[TileReport]) -> TileReport:
    """The counts of all tiles; no best cells, which are chosen among the tiles'."""
    return TileReport(
        cells=sum(one.cells for one in reports),
        cut_cells=sum(one.cut_cells for one in reports),
        filled=max((one.filled for one in reports), default=0),
        bounded_cells=sum(one.bounded_cells for one in reports),
        bounded_most=max((one.bounded_most for one in reports), default=0.0),
        never_lit_km2=sum(one.never_lit_km2 for one in reports),
        best={},
    )
