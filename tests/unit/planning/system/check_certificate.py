"""Checks the lower bound of a design from its certificate, with NumPy alone: python check_certificate.py certificate.npz

The certificate holds prices: of a kWh of light in each hour, of a kWh stored at its end, of a kWh of allowed shortfall. If all are
at least 0, then for EVERY design that serves the loads, adding up what its light, its store and its shortfall obey, each times its
price, leaves

    value  <=  sum over units of (worth of a unit)  +  capacity * (worth of a kWh of capacity)

and where no unit is worth more than it costs (nor a kWh of capacity), the right side is at most the cost of the design. Prices that
are too high by a factor prove a bound that is lower by it.
"""

import sys

import numpy as np


def lower_bound(path):
    """The bound over the facings whose light is in the certificate, and over all facings if the certificate says what they are worth."""
    c = np.load(path)
    light, state, leave, short = c["price_light"], c["price_state"], c["price_leave"], float(c["price_short"])
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
    own = short * float(c["allowed_per_unit"]) - (need * each).sum()
    worth = light @ c["light_kwh"] + own

    def bound(unit):
        per_unit, per_kwh, most_units, most_kwh = c["objective"]
        best = 0.0
        for factor in (1.0, unit / per_unit, store / per_kwh):
            over_unit, over_kwh = unit / factor - per_unit, store / factor - per_kwh
            cost = 0.0
            if over_unit > 1e-12 * per_unit:
                cost += over_unit * most_units
            if over_kwh > 1e-12 * per_kwh:
                cost += over_kwh * most_kwh
            best = max(best, value / factor - cost)
        return best + float(c["once"])

    anywhere = float(c["worth_anywhere"])
    return bound(worth.max()), None if np.isnan(anywhere) else bound(max(anywhere, worth.max()))


if __name__ == "__main__":
    listed, everywhere = lower_bound(sys.argv[1])
    print(f"no design of the facings listed is below {listed:.6f}")
    if everywhere is not None:
        print(f"nor of any facing, if none is worth more than the certificate says: {everywhere:.6f}")
