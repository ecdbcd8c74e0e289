"""The proof of a bound as plain arrays: everything that weak duality needs, and nothing that asks for trust in a solver.

Names are those of `planning.system.terms` and `planning.system.dual_bound`, whose first lines say what to compute; where units are few
there are cases, as `planning.branching.branch_and_bound` says, by how many units face parts of the sky. `light_kwh` (rows, facings) is
the light of one unit of each facing that was priced; `worth_anywhere` is what the search of the sky says that no facing between them
is worth more than (NaN: not known). `once` is what the design costs beside units and store.
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

    branch_part     (branchings, 4)  tilts from..to, azimuths from and width: of a part of the sky
    branch_number   (branchings,)  in one half of all designs no more units face it; in the other one more or more do
    branch_to       (branchings, 2)  where each half is branched: a branching (>= 0), or the case of -1, -2, ...
    rate, delivered_kwh   where mass for each kWh is asked for: the proven mass of one, and what each facing delivers in the run
    case_part, case_units, case_price_part   parts (n, 4), least and most units that face each, the prices of both (n, 2)
    """
    assert found.terms is not None
    assert found.branches is not None
    prices, once = prices_of(plan, combination)
    tree = found.branches
    arrays = found.terms.arrays() | {
        "once": np.array(once),
        "cases": np.array(len(tree.cases)),
        "facing_deg": np.stack(list(tree.facings), axis=1),
        "light_kwh": tree.light_kwh,
        "fillings": tree.fillings,
        "branch_part": np.array([one.part for one in tree.branchings]).reshape(-1, 4),
        "branch_number": np.array([one.number for one in tree.branchings], dtype=np.int64),
        "branch_to": np.array([(one.fewer, one.more) for one in tree.branchings], np.int64).reshape(-1, 2),
    }
    if tree.delivered_kwh is not None:
        arrays |= {"rate": np.array(tree.rate), "delivered_kwh": tree.delivered_kwh}
    arrays["objective"] = np.array([prices.per_unit, prices.per_kwh])
    arrays["limits"] = np.array([prices.least_units, prices.most_units, prices.most_kwh])
    for number, case in enumerate(tree.cases, start=1):
        proof, limits = case.proof, case.proof.limits
        own = proof.prices.arrays() | {
            "part": np.array([one.part for one in limits]).reshape(-1, 4),
            "units": np.array([(one.least, one.most) for one in limits], np.float64).reshape(-1, 2),
            "price_part": np.stack([proof.limit_prices.least, proof.limit_prices.most], axis=1),
            "worth_anywhere": np.array(np.nan if case.worth_anywhere is None else case.worth_anywhere),
            "least": np.array(case.least),
        }
        arrays |= {f"case{number}_{name}": array for name, array in own.items()}
    return arrays
