"""The proof of a bound as plain arrays: everything that weak duality needs, and nothing that asks for trust in a solver.

Names are those of `planning.system.terms` and `planning.system.dual_bound`, whose first lines say what to compute; where units are few
there are two cases, as `planning.system.branch_and_bound` says. `light_kwh` (rows,
facings) is the light of one unit of each facing that was priced; `worth_anywhere` is what the search of the sky says that no
facing between them is worth more than (NaN: not known). `once` is what the design costs beside units and store.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.plans.design import DesignPlan
from yieldsim.runs.design.combinations import prices_of

if TYPE_CHECKING:
    from yieldsim.runs.design.combinations import Combination
    from yieldsim.runs.design.search import Designed


def certificate_of(plan: DesignPlan, combination: Combination, found: Designed) -> dict[str, np.ndarray]:
    """The arrays for one combination. Names of each case begin with "case1_", "case2_".

    A case says what numbers of units it is about (`least_units`, `most_units` of its objective). Where its objective counts units
    (`counts_units`), it proves that no design has that few.
    """
    assert found.terms is not None
    _, once = prices_of(plan, combination)
    arrays = found.terms.arrays() | {"once": np.array(once), "cases": np.array(len(found.branches))}
    # what masses are divided by: the most that is delivered, where mass for each kWh of it is least
    arrays["per_kwh_delivered"] = np.array(found.most_kwh if np.isfinite(found.most_kwh) else 1.0)
    for number, branch in enumerate(found.branches, start=1):
        proof, objective = branch.proof, branch.objective
        anywhere = np.nan if proof.worth_anywhere is None else proof.worth_anywhere
        own = {
            "price_light": proof.prices.light,
            "price_state": proof.prices.state,
            "price_leave": proof.prices.leave,
            "price_short": np.array(proof.prices.short),
            "objective": np.array([objective.per_unit, objective.per_kwh]),
            "limits": np.array([objective.least_units, objective.most_units, objective.most_kwh]),
            "counts_units": np.array(branch.counts_units),
            "facing_deg": np.stack(list(proof.facings), axis=1),
            "light_kwh": proof.light_kwh,
            "worth_anywhere": np.array(anywhere),
            "least": np.array(branch.least),
        }
        arrays |= {f"case{number}_{name}": array for name, array in own.items()}
    return arrays
