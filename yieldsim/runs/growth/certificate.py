"""The proof of a growth's bound as plain arrays, as `runs.design.certificate` has it for one phase.

Names of each phase begin with "phase1_", "phase2_"; those of flights have one number a flight. `planning.growth.programme` says in its
first lines what to compute of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from yieldsim.runs.design.certificate import terms_arrays

if TYPE_CHECKING:
    from yieldsim.planning.growth.phases import Landing, Phase
    from yieldsim.runs.growth.search import Proved


def certificate_of(found: Proved, phases: tuple[Phase, ...], landing: Landing) -> dict[str, np.ndarray]:
    """The arrays."""
    prices = found.flights
    arrays = {
        "phases": np.array(len(phases)),
        "per_unit_kg": np.array(landing.per_unit_kg),
        "per_kwh_kg": np.array(landing.per_kwh_kg),
        "once_kg": landing.once_kg,
        "weights": landing.weights,
        "most_kg": landing.most_kg,
        "most_units": np.array(landing.most_units),
        "most_kwh": np.array(landing.most_kwh),
        "price_full": prices.full,
        "price_largest": prices.largest,
        "price_units": np.array(prices.units),
        "price_stores": np.array(prices.stores),
        "facing_deg": np.stack(list(found.facings), axis=1),
        "worth_anywhere": np.full(landing.flights, np.nan)
        if found.worth_anywhere is None
        else found.worth_anywhere,
        "least": np.array(found.least),
    }
    for number, (phase, row) in enumerate(zip(phases, found.rows, strict=True), start=1):
        own = terms_arrays(phase.terms) | {
            "units_left": phase.units_left,
            "store_left": phase.store_left,
            "price_light": row.light,
            "price_state": row.state,
            "price_leave": row.leave,
            "price_short": np.array(row.short),
            "light_kwh": phase.lights_kwh(found.facings)[0],
        }
        arrays |= {f"phase{number}_{name}": array for name, array in own.items()}
    return arrays
