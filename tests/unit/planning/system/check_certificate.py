"""Checks the lower bound of a design from its certificate, with NumPy alone: python check_certificate.py certificate.npz

The certificate holds prices: of a kWh of light in each hour, of a kWh stored at its end, of a kWh of allowed shortfall. If all are
at least 0, then for EVERY design that serves the loads, adding up what its light, its store and its shortfall obey, each times its
price, leaves

    value  <=  sum over units of (worth of a unit)  +  capacity * (worth of a kWh of capacity)

and where no unit is worth more than it costs (nor a kWh of capacity), the right side is at most the cost of the design. Prices that
are too high by a factor prove a bound that is lower by it. Where units are few there are two cases, up to n units and from n + 1
units: every design is in one of them.
"""

import sys

import numpy as np


def case_bound(c, case, anywhere):
    """What the prices of one case prove; anywhere: of every facing, not of those listed alone."""

    def own(name):
        return c[f"case{case}_{name}"]

    light, state, leave, short = (
        own("price_light"),
        own("price_state"),
        own("price_leave"),
        float(own("price_short")),
    )
    assert min(light.min(), state.min(), leave.min(), short) >= 0.0, "a price is negative"
    asked, each = c["asked_kwh"], c["per_unit_kwh"]
    rows, kinds = asked.shape
    keep, take_in = float(c["keep"]), float(c["take_in"])

    # what a useful kWh is worth at most: no more than the cheapest way to have it, or to go without
    need = np.empty((rows, kinds))
    for i in range(kinds):
        ways = [light / c["direct"][i], short * c["weight"][:, i]]
        if c["stored"][i] > 0.0:
            ways.append(c["per_drawn"][i] * state + leave / c["stored"][i])
        need[:, i] = np.min(ways, axis=0)

    # light may be stored: where that pays more than the light costs, the limit of charging must pay for it
    enter = np.maximum(take_in * state - light, 0.0)
    paid = 0.0
    if np.isfinite(c["enter_kwh"]):
        paid += enter.sum() * float(c["enter_kwh"])
    else:
        assert enter.max() <= 1e-12 * state.max(), "light is cheaper than what it makes in the store"
    if np.isfinite(c["leave_kwh"]):
        paid += leave.sum() * float(c["leave_kwh"])
    else:
        assert leave.max() == 0.0

    # energy kept for a dearer hour: the capacity must pay for it
    repeats = np.isnan(c["start_share"])
    following = np.append(state[1:], state[0] if repeats else 0.0)
    hold = np.maximum(keep * following - state, 0.0)
    start = 0.0 if repeats else keep * state[0]
    store = hold @ c["usable"] + (0.0 if repeats else start * float(c["start_share"]))
    paid += float(c["slack_kwh"]) * (hold.sum() + start)

    value = (need * asked).sum() - short * float(c["allowed"]) - paid
    unit = (light @ own("light_kwh")).max() + short * float(c["allowed_per_unit"]) - (need * each).sum()
    if anywhere:
        unit = max(unit, float(own("worth_anywhere")))

    per_unit, per_kwh = own("objective")
    least_units, most_units, most_kwh = own("limits")
    best = 0.0
    for factor in (1.0, unit / per_unit, store / per_kwh):
        if factor <= 0.0:
            continue
        over_unit, over_kwh = unit / factor - per_unit, store / factor - per_kwh
        found = value / factor
        if over_unit > 1e-12 * per_unit:
            found -= over_unit * most_units
        else:
            # each of the units that there must be costs what it is not worth
            found += -over_unit * least_units
        if over_kwh > 1e-12 * per_kwh:
            found -= over_kwh * most_kwh
        best = max(best, found)
    return best


def lower_bound(path):
    """The bound over the facings listed in the certificate, and over all facings where it says what none is worth more than."""
    c = np.load(path)
    cases, once = int(c["cases"]), float(c["once"])
    found = []
    for anywhere in (False, True):
        if anywhere and any(np.isnan(c[f"case{case}_worth_anywhere"]) for case in range(1, cases + 1)):
            found.append(None)
            continue
        bounds = []
        for case in range(1, cases + 1):
            bound = case_bound(c, case, anywhere)
            if not c[f"case{case}_counts_units"]:
                bounds.append(bound)
                continue
            # so few units don't serve with any store up to the case's largest, which weighs next to nothing in the count
            per_kwh, most_kwh = float(c[f"case{case}_objective"][1]), float(c[f"case{case}_limits"][2])
            other = float(c[f"case{case + 1}_limits"][0])
            assert bound > other - 1.0 + per_kwh * most_kwh, "fewer units are not excluded"
            bounds.append(float(c[f"case{case}_least"]))
        # cases follow each other without a hole
        for case in range(1, cases):
            assert float(c[f"case{case + 1}_limits"][0]) >= 1.0
        found.append((min(bounds) + once) / float(c["per_kwh_delivered"]))
    return tuple(found)


if __name__ == "__main__":
    listed, everywhere = lower_bound(sys.argv[1])
    print(f"no design of the facings listed is below {listed:.6f}")
    if everywhere is not None:
        print(f"nor of any facing, if none is worth more than the certificate says: {everywhere:.6f}")
