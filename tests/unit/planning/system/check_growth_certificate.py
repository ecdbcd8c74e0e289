"""Checks the lower bound of a growth from its certificate, with NumPy alone: python check_growth_certificate.py certificate.npz

The certificate holds prices of each phase, as that of a design does, and of what limits flights. Adding up what the light, the stores
and the shortfalls of all phases obey, each times its price, leaves

    value  <=  sum over flights of  units (worth of a unit) + capacity (worth of a kWh)

where a unit is worth what it is in all phases that it lives to see, aged. A kilogram of flight k costs its weight in the sum, what it
costs in the largest flight, and the price of the flight's limit; limits pay back what they hold.
"""

import sys

import numpy as np


def phase_worths(c, number):
    """Value, worth of the light of each facing, what a unit's shield costs, worth of a kWh: of one phase."""

    def own(name):
        return c[f"phase{number}_{name}"]

    light, state, leave, short = (
        own("price_light"),
        own("price_state"),
        own("price_leave"),
        float(own("price_short")),
    )
    assert min(light.min(), state.min(), leave.min(), short) >= 0.0, "a price is negative"
    asked = own("asked_kwh")
    need = np.empty(asked.shape)
    for i in range(asked.shape[1]):
        ways = [light / own("direct")[i], short * own("weight")[:, i]]
        if own("stored")[i] > 0.0:
            ways.append(own("per_drawn")[i] * state + leave / own("stored")[i])
        need[:, i] = np.min(ways, axis=0)
    keep, take_in = float(own("keep")), float(own("take_in"))
    enter = np.maximum(take_in * state - light, 0.0)
    paid = 0.0
    if np.isfinite(own("enter_kwh")):
        paid += enter.sum() * float(own("enter_kwh"))
    else:
        assert enter.max() <= 1e-12 * state.max(), "light is cheaper than what it makes in the store"
    if np.isfinite(own("leave_kwh")):
        paid += leave.sum() * float(own("leave_kwh"))
    else:
        assert leave.max() == 0.0
    assert np.isnan(own("start_share")), "phases go on"
    hold = np.maximum(keep * np.append(state[1:], state[0]) - state, 0.0)
    paid += float(own("slack_kwh")) * hold.sum()
    value = (need * asked).sum() - short * float(own("allowed")) - paid
    shield = short * float(own("allowed_per_unit")) - (need * own("per_unit_kwh")).sum()
    return value, light @ own("light_kwh"), shield, float(hold @ own("usable"))


def lower_bound(path):
    """The bound over the facings listed, and over all facings where the certificate says what none is worth more than."""
    c = np.load(path)
    phases, value = int(c["phases"]), 0.0
    facings = len(c["facing_deg"])
    unit, store = np.zeros((phases, facings)), np.zeros(phases)
    for number in range(1, phases + 1):
        own, worth, shield, per_kwh = phase_worths(c, number)
        value += own
        for k in range(number):
            unit[k] += c[f"phase{number}_units_left"][k] * worth + shield
            store[k] += c[f"phase{number}_store_left"][k] * per_kwh
    full, largest = c["price_full"], c["price_largest"]
    assert min(full.min(), largest.min(), float(c["price_units"]), float(c["price_stores"])) >= 0.0
    assert largest.sum() <= 1.0 + 1e-12, "the largest flight is counted more than once"
    dear = c["weights"] + largest + full
    found = []
    for worths in (unit.max(axis=1), np.maximum(unit.max(axis=1), c["worth_anywhere"])):
        if np.isnan(worths).any():
            found.append(None)
            continue
        factor = max(
            (worths / (float(c["per_unit_kg"]) * dear + float(c["price_units"]))).max(),
            (store / (float(c["per_kwh_kg"]) * dear + float(c["price_stores"]))).max(),
        )
        bound = value / factor + (c["weights"] + largest) @ c["once_kg"]
        for k in range(phases):
            if full[k] > 0.0:
                bound -= full[k] * (c["most_kg"][k] - c["once_kg"][k])
        for price, most in ((c["price_units"], c["most_units"]), (c["price_stores"], c["most_kwh"])):
            if price > 0.0:
                bound -= price * most
        found.append(float(bound))
    return tuple(found)


if __name__ == "__main__":
    listed, everywhere = lower_bound(sys.argv[1])
    print(f"no plan of the facings listed is below {listed:.6f}")
    if everywhere is not None:
        print(f"nor of any facing, if none is worth more than the certificate says: {everywhere:.6f}")
