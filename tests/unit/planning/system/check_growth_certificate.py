"""Checks the lower bound of a growth, or of two sites joined, with NumPy alone: python check_growth_certificate.py certificate.npz

The certificate holds prices of each phase, as that of a design does, and of what limits flights. Adding up what the light, the stores
and the shortfalls of all phases obey, each times its price, leaves

    value  <=  sum over flights of  units (worth of a unit) + capacity (worth of a kWh)

where a unit is worth what it is in all phases that it lives to see, aged. A kilogram of flight k costs its weight in the sum, what it
costs in the largest flight, and the price of the flight's limit; limits pay back what they hold. Where units are few there are several
cases, each with the least and the most units that have landed by each flight: every plan of whole units is in one of them.
"""

import sys

import numpy as np


def phase_worths(c, case, number):
    """Value, worth of each facing's light by flight, what a unit's shield costs, worth of a kWh: of one phase."""

    def own(name):
        return c[f"phase{number}_{name}"]

    def price(name):
        return c[f"case{case}_phase{number}_price_{name}"]

    light, state, leave, short = price("light"), price("state"), price("leave"), float(price("short"))
    direct = price("direct")
    assert min(light.min(), direct.min(), state.min(), leave.min(), short) >= 0.0, "a price is negative"
    asked = own("asked_kwh")
    need = np.empty(asked.shape)
    for i in range(asked.shape[1]):
        ways = [(light + direct) / own("direct")[i], short * own("weight")[:, i]]
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
    each = own("per_unit_kwh")
    shield = short * float(own("allowed_per_unit")) - (need * each).sum()
    # of one whole unit's light what is asked may serve directly, and what its own shield asks
    shield += direct @ (each / own("direct")).sum(axis=1)
    serves = (asked / own("direct")).sum(axis=1)[:, None]
    worths = []
    for k, left in enumerate(own("units_left")):
        aged = left * (
            c.get(f"phase{number}_light_elsewhere_kwh", own("light_kwh")) if k else own("light_kwh")
        )
        worths.append(light @ aged + direct @ np.minimum(aged, serves))
    return value, worths, shield, float(hold @ own("usable"))


def case_bound(c, case):
    """What the prices of a case prove, of the facings listed, and of all facings where it says what none is worth more than."""
    flights, facings = len(c["once_kg"]), len(c["facing_deg"])
    unit, store, value = np.zeros((flights, facings)), np.zeros(flights), 0.0
    for number in range(1, int(c["phases"]) + 1):
        own, worth, shield, per_kwh = phase_worths(c, case, number)
        value += own
        for k, of_light in enumerate(worth):
            unit[k] += of_light + shield
            store[k] += c[f"phase{number}_store_left"][k] * per_kwh
    limits, largest = c[f"case{case}_price_limits"], c[f"case{case}_price_largest"]
    assert min(limits.min(), largest.min()) >= 0.0, "a price is negative"
    assert largest.sum() <= 1.0 + 1e-12, "the largest flight is counted more than once"
    full, most, least, stores = (
        limits[:flights],
        limits[flights : 2 * flights],
        limits[2 * flights : 3 * flights],
        limits[-1],
    )
    dear = c["weights"] + largest + full
    # a unit of a flight counts among those that have landed by it and by all later ones
    later = np.array([(most - least)[k:].sum() for k in range(flights)])
    prices = np.concatenate([c["per_unit_kg"] * dear + later, c["per_kwh_kg"] * dear + stores])
    assert prices.min() >= 0.0, "to land something is paid for"
    fixed = (c["weights"] + largest) @ c["once_kg"]
    for price, allowed in (
        *zip(full, c["most_kg"] - c["once_kg"], strict=True),
        *zip(most, c[f"case{case}_most_until"], strict=True),
        *zip(least, -c[f"case{case}_least_until"], strict=True),
        (stores, c["most_kwh"]),
    ):
        fixed -= price * allowed if price > 0.0 else 0.0
    found = []
    for worths in (unit.max(axis=1), np.maximum(unit.max(axis=1), c[f"case{case}_worth_anywhere"])):
        if np.isnan(worths).any():
            found.append(None)
            continue
        worth = np.concatenate([worths, store])
        some = worth > 0.0
        found.append(float((prices[some] / worth[some]).min() * value + fixed))
    return found


def covered(low, high, boxes):
    """Whether all whole numbers of units from low to high are in one of the boxes: parted, again and again, where no box is cut."""
    if any((least <= low).all() and (most >= high).all() for least, most in boxes):
        return True
    for k in range(len(low)):
        for at in {float(most[k]) for _, most in boxes if low[k] <= most[k] < high[k]}:
            below = [box for box in boxes if box[1][k] <= at]
            above = [box for box in boxes if box[0][k] >= at + 1.0]
            if len(below) + len(above) == len(boxes) and min(len(below), len(above)) > 0:
                end, begin = high.copy(), low.copy()
                end[k], begin[k] = at, at + 1.0
                return covered(low, end, below) and covered(begin, high, above)
    return False


def lower_bound(path):
    """The bound over the facings listed, and over all facings where the certificate says what none is worth more than."""
    c = dict(np.load(path))
    cases, flights = range(1, int(c["cases"]) + 1), len(c["once_kg"])
    boxes = [(c[f"case{case}_least_until"], c[f"case{case}_most_until"]) for case in cases]
    assert covered(np.zeros(flights), np.full(flights, float(c["most_units"])), boxes), "a case is missing"
    found = zip(*(case_bound(c, case) for case in cases), strict=True)
    return tuple(None if None in bounds else min(bounds) for bounds in found)


if __name__ == "__main__":
    listed, everywhere = lower_bound(sys.argv[1])
    print(f"no plan of the facings listed is below {listed:.6f}")
    if everywhere is not None:
        print(f"nor of any facing, if none is worth more than the certificate says: {everywhere:.6f}")
