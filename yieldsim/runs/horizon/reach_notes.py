"""What a skyline tells of ground that its files don't hold: beyond their edge, in holes, filled."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from yieldsim.runs.horizon.unknown_ground import SunOver, known_path, sun_share

if TYPE_CHECKING:
    from yieldsim.base.numerics.height_grid import HeightGrid
    from yieldsim.ground.skyline import Skyline

HOLES_WORTH_A_WARNING = 0.01


def filled_notes(grids: Sequence[HeightGrid]) -> list[str]:
    """A line for each file whose small holes are filled."""
    most: dict[str, int] = {}
    for grid in grids:
        most[grid.name] = max(most.get(grid.name, 0), grid.filled)
    return [
        f"{name}: {count} pixel{'s' * (count != 1)} of unknown height in small holes filled from their highest neighbours"
        for name, count in most.items()
        if count
    ]


def reach_warnings(result: Skyline, highest_m: float, reach_km: float | None, sun: SunOver) -> list[str]:
    """Lines for a reader: where ground beyond the edge could still show, and holes on the lines of sight.

    Each with the share of the Sun's band that it concerns: of the time that the Sun is above the skyline.

    Ground matters where the height it would need just beyond the edge is one that the files' own highest ground reaches.
    """

    def concerned(rows: NDArray[np.bool_]) -> str:
        share = sun_share(known_path(sun), result, rows)
        return "" if share is None else f" ({100.0 * share:.3g} % of the Sun's band)"

    lines = []
    bare = result.edge_km == 0.0
    if bare.any():
        lines.append(
            f"no terrain at all at {100.0 * bare.mean():.0f} % of azimuths{concerned(bare)}, azimuth "
            f"{result.azimuth_deg[np.argmax(bare)]:g} deg "
            "among them: ground there is taken to lie as low as the lowest that is known; add terrain that reaches further"
        )
    could = (result.needed_m < highest_m) & ~bare
    if could.any():
        worst = int(np.argmin(result.needed_m))
        ends = "the reach" if reach_km is not None else "the terrain files"
        lines.append(
            f"ground beyond {ends} could still show at {100.0 * could.mean():.0f} % of azimuths{concerned(could)}: towards azimuth "
            f"{result.azimuth_deg[worst]:g} deg, ground {float(f'{result.edge_km[worst]:.3g}'):g} km away needs to be above "
            f"{result.needed_m[worst]:.0f} m to do so (the highest ground in the files is {highest_m:.0f} m); "
            "add terrain that reaches further"
        )
    holes = float(result.unknown_share.mean())
    if holes > HOLES_WORTH_A_WARNING:
        lines.append(
            f"{100.0 * holes:.1f} % of the lines of sight cross terrain of unknown height beyond a file's edge of data or out of the "
            f"Sun's way{concerned(result.unknown_share > 0.0)}; they are taken as clear"
        )
    return lines
