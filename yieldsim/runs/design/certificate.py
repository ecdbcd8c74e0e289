"""The proof of a bound as plain arrays: everything that weak duality needs, and nothing that asks for trust in a solver.

Names are those of `planning.system.terms` and `planning.system.bound`, whose first lines say what to compute. `light_kwh` (rows,
facings) is the light of one unit of each facing that was priced; `worth_anywhere` is what the search of the sky says that no
facing between them is worth more than (NaN: not known). `once` is what the design costs beside units and store.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.design_model import DesignPlan
from yieldsim.runs.design.combinations import prices_of

if TYPE_CHECKING:
    from yieldsim.runs.design.combinations import Combination
    from yieldsim.runs.design.search import Designed


def certificate_of(plan: DesignPlan, combination: Combination, found: Designed) -> dict[str, np.ndarray]:
    """The arrays for one combination."""
    assert found.proof is not None
    assert found.terms is not None
    terms, proof = found.terms, found.proof
    objective, once = prices_of(plan, combination)
    prices = proof.prices
    return {
        "asked_kwh": terms.asked_kwh,
        "per_unit_kwh": terms.per_unit_kwh,
        "direct": terms.direct,
        "stored": terms.stored,
        "weight": terms.weight,
        "allowed": np.array(terms.allowed),
        "allowed_per_unit": np.array(terms.allowed_per_unit),
        "keep": np.array(terms.keep),
        "take_in": np.array(terms.take_in),
        "per_drawn": terms.per_drawn,
        "enter_kwh": np.array(terms.enter_kwh),
        "leave_kwh": np.array(terms.leave_kwh),
        "usable": terms.usable,
        "slack_kwh": np.array(terms.slack_kwh),
        "start_share": np.array(np.nan if terms.start_share is None else terms.start_share),
        "price_light": prices.light,
        "price_state": prices.state,
        "price_leave": prices.leave,
        "price_short": np.array(prices.short),
        "objective": np.array(
            [objective.per_unit, objective.per_kwh, objective.most_units, objective.most_kwh]
        ),
        "once": np.array(once),
        "facing_deg": np.stack(list(proof.facings), axis=1),
        "light_kwh": proof.light_kwh,
        "worth_anywhere": np.array(np.nan if proof.worth_anywhere is None else proof.worth_anywhere),
        "least": np.array(proof.least + once),
        "least_of_facings": np.array(proof.proof.least + once),
    }
