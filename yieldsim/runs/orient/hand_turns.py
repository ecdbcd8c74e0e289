"""Turns by hand as orient.json tells them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldsim.base.clock import iso
from yieldsim.base.results.orient import HandTurnResult

if TYPE_CHECKING:
    from yieldsim.runs.orient.types import Answers


def hand_turn_rows(answers: Answers, following_kwh: float) -> list[HandTurnResult]:
    """A row a number of turns, none first; nothing where none was asked about.

    following_kwh   a year's of one unit on two axes, as it is told
    """
    years = answers.prospect.years
    edges = answers.ready.grid.edge_utc
    rows: list[HandTurnResult] = []
    for one in answers.hand_turns:
        annual = one.kwh / years
        fixed = answers.hand_turns[0].kwh / years
        rows.append(
            {
                "turns": one.turns,
                "annual_kwh_per_unit": annual,
                "over_fixed_fraction": annual / fixed - 1.0 if fixed > 0.0 else 0.0,
                "of_following_fraction": annual / following_kwh if following_kwh > 0.0 else 0.0,
                "stretches": [
                    {
                        "start_utc": iso(edges[first]),
                        "tilt_deg": float(one.facings.tilt_deg[place]),
                        "azimuth_deg": float(one.facings.azimuth_deg[place]) % 360.0,
                        "roll_deg": float(one.facings.roll_deg[place]),
                    }
                    for place, first in enumerate(one.first_row.tolist())
                ],
            }
        )
    return rows
