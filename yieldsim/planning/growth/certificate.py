"""The proof of a bound over phases and flights as plain arrays, as `runs.design.certificate` has it for one phase.

Names of each phase begin with "phase1_", "phase2_", those of cases with "case1_", "case2_", and those of a phase's prices in a case
with "case1_phase1_"; those of flights have one number a flight. Limits' prices are in the order of `Landing.limits`, where no limit
is infinite. `light_kwh` is that of the first site, `light_elsewhere_kwh` that of the other one, where all flights but the first
land. `planning.growth.programme` says in its first lines what to compute of them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from yieldsim.planning.growth.branches import Proved
from yieldsim.planning.growth.phases import Landing, Phase


def certificate_of(found: Proved, phases: Sequence[Phase], landing: Landing) -> dict[str, np.ndarray]:
    """The arrays."""
    arrays = {
        "phases": np.array(len(phases)),
        "cases": np.array(len(found.cases)),
        "per_unit_kg": np.array(landing.per_unit_kg),
        "per_kwh_kg": np.array(landing.per_kwh_kg),
        "once_kg": landing.once_kg,
        "weights": landing.weights,
        "most_kg": landing.most_kg,
        "most_units": np.array(landing.most_units),
        "most_kwh": np.array(landing.most_kwh),
        "facing_deg": np.stack(list(found.facings), axis=1),
        "least": np.array(found.least),
    }
    for number, phase in enumerate(phases, start=1):
        lights = phase.lights_kwh(found.facings)
        own = phase.terms.arrays() | {
            "units_left": phase.units_left,
            "store_left": phase.store_left,
            "light_kwh": lights[0],
        }
        if phase.elsewhere is not None:
            own["light_elsewhere_kwh"] = lights[-1]
        arrays |= {f"phase{number}_{name}": array for name, array in own.items()}
    for number, case in enumerate(found.cases, start=1):
        own = {
            "least_until": case.least_until,
            "most_until": case.most_until,
            "price_limits": case.flights.limits,
            "price_largest": case.flights.largest,
            "worth_anywhere": np.full(landing.flights, np.nan)
            if case.worth_anywhere is None
            else case.worth_anywhere,
            "least": np.array(case.least),
        }
        for phase_number, row in enumerate(case.rows, start=1):
            own |= {f"phase{phase_number}_{name}": array for name, array in row.arrays().items()}
        arrays |= {f"case{number}_{name}": array for name, array in own.items()}
    return arrays
