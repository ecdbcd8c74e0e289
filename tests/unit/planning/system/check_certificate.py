"""Checks the lower bound of a design from its certificate, with NumPy alone: python check_certificate.py certificate.npz

The certificate holds prices: of a kWh of light in each hour, of a kWh that serves directly then, of a kWh stored at its end, of a
kWh of allowed shortfall. A whole unit serves directly no more than all that is asked, whatever else it gets. If all prices are
at least 0, then for EVERY design that serves the loads, adding up what its light, its store and its shortfall obey, each times its
price, leaves

    value  <=  sum over units of (worth of a unit)  +  capacity * (worth of a kWh of capacity)

and where no unit is worth more than it costs (nor a kWh of capacity), the right side is at most the cost of the design. Prices that
are too high by a factor prove a bound that is lower by it. Where units are few there are cases: up to n units facing a part of the
sky, or n + 1 and more, again and again. Every design is in one of them.

Of at most n whole units there may be prices of fillings: what leaves the store in all is no more than n k times its usable capacity
and, of each unit, what its weak light stores in k of the spells in which it does not serve all loads alone, and what they ask in the
others. (A row in which one unit serves all takes nothing out of the store: so the dispatch of a budget is.)
"""

import sys

import numpy as np


def case_bound(c, case, anywhere):
    """What the prices of one case prove; anywhere: of every facing, not of those listed alone."""

    def own(name):
        return c[f"case{case}_{name}"]

    light, direct, state, leave, short = (
        own("price_light"),
        own("price_direct"),
        own("price_state"),
        own("price_leave"),
        float(own("price_short")),
    )
    filling = own("price_fillings")
    drawn = filling.sum()
    least_of = min(light.min(), direct.min(), state.min(), leave.min(), short, filling.min(initial=0.0))
    assert least_of >= 0.0, "a price is negative"
    asked, each = c["asked_kwh"], c["per_unit_kwh"]
    rows, kinds = asked.shape
    keep, take_in = float(c["keep"]), float(c["take_in"])

    # what a useful kWh is worth at most: no more than the cheapest way to have it, or to go without
    need = np.empty((rows, kinds))
    for i in range(kinds):
        ways = [(light + direct) / c["direct"][i], short * c["weight"][:, i]]
        if c["stored"][i] > 0.0:
            ways.append(c["per_drawn"][i] * (state + drawn) + leave / c["stored"][i])
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
    # of one unit's light what is asked may serve directly, and what its own shield asks
    whole = (
        np.minimum(c["light_kwh"], (asked / c["direct"]).sum(axis=1)[:, None])
        + (each / c["direct"]).sum(axis=1)[:, None]
    )
    worth = (
        light @ c["light_kwh"] + direct @ whole + short * float(c["allowed_per_unit"]) - (need * each).sum()
    )
    for part, (least, most), (price_least, price_most) in zip(
        own("part"), own("units"), own("price_part"), strict=True
    ):
        assert min(price_least, price_most) >= 0.0, "a limit's price is negative"
        value += least * price_least - (most * price_most if price_most > 0.0 else 0.0)
        worth = worth + (price_least - price_most) * faces(c["facing_deg"], part)
    if drawn > 0.0:
        assert repeats, "fillings of a run that does not repeat"
        assert c["slack_kwh"] == 0.0, "fillings of a store that fades"
        assert not each.any(), "fillings beside loads of each unit"
        whole_sky = [
            most
            for part, (_, most) in zip(own("part"), own("units"), strict=True)
            if part[3] == 360.0 and part[1] == 181.0
        ]
        most = min(whole_sky, default=np.inf)
        assert np.isfinite(most), "fillings have a price without a number of units"
        store += most * c["usable"].max() * (filling @ c["fillings"])
        worth = worth + filling @ beyond(c)
    rate = float(c.get("rate", 0.0))
    if rate > 0.0:
        # what is delivered is worth a rate, too
        worth = worth + rate * c["delivered_kwh"]
    unit = worth.max()
    if anywhere:
        unit = max(unit, float(own("worth_anywhere")))

    per_unit, per_kwh = c["objective"]
    least_units, most_units, most_kwh = c["limits"]
    best = 0.0 if rate == 0.0 else -np.inf
    for factor in (1.0,) if rate > 0.0 else (1.0, unit / per_unit, store / per_kwh):
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


def beyond(c):
    """What may leave the store beyond k fillings by a unit of each facing, (numbers k, facings)."""
    needed = (c["asked_kwh"] / c["direct"]).sum(axis=1)
    able = c["stored"] > 0.0
    asked = (c["asked_kwh"][:, able] * c["per_drawn"][able]).sum(axis=1)
    found = np.empty((len(c["fillings"]), c["light_kwh"].shape[1]))
    for place, light in enumerate(c["light_kwh"].T):
        alone = (light >= needed) & (light > 0.0)
        stored = float(c["take_in"]) * light
        if not alone.any():
            found[:, place] = stored.sum()
            continue
        # from a row alone in the light on: spells end with such a row
        turned = np.roll(np.arange(len(light)), -int(np.flatnonzero(alone)[0]))
        spell = np.cumsum(alone[turned])
        dark = ~alone[turned]
        by_spell = [np.bincount(spell[dark], one[turned][dark], spell[-1] + 1) for one in (asked, stored)]
        most, less = np.maximum(*by_spell), np.sort(np.maximum(by_spell[0] - by_spell[1], 0.0))[::-1]
        found[:, place] = [most.sum() - less[: int(k)].sum() for k in c["fillings"]]
    return found


def faces(facing_deg, part):
    """Which facings lie in a part of the sky."""
    tilt_from, tilt_to, azimuth_from, width = part
    tilt, azimuth = facing_deg[:, 0], facing_deg[:, 1]
    return (tilt >= tilt_from) & (tilt < tilt_to) & (np.mod(azimuth - azimuth_from, 360.0) < width)


def check_cases(c):
    """Whether every design is in one of the cases: halves of halves, and no case assumes more than led to it."""
    reached = []

    def follow(place, known):
        if place < 0:
            case = -place
            reached.append(case)
            for part, (least, most) in zip(c[f"case{case}_part"], c[f"case{case}_units"], strict=True):
                key = tuple(part)
                at_least = max([n + 1 for p, n, more in known if p == key and more], default=0)
                at_most = min([n for p, n, more in known if p == key and not more], default=np.inf)
                assert least <= at_least, "a case assumes more units than there must be"
                assert most >= at_most, "a case assumes fewer units than there may be"
            return
        part, number = tuple(c["branch_part"][place]), int(c["branch_number"][place])
        fewer, more = c["branch_to"][place]
        follow(int(fewer), [*known, (part, number, False)])
        follow(int(more), [*known, (part, number, True)])

    follow(0 if len(c["branch_number"]) else -1, [])
    assert set(reached) == set(range(1, int(c["cases"]) + 1)), "a case is missing"


def lower_bound(path):
    """The bound over the facings listed in the certificate, and over all facings where it says what none is worth more than."""
    # read once: an archive reads its arrays anew each time
    c = dict(np.load(path))
    cases, once = int(c["cases"]), float(c["once"])
    check_cases(c)
    found = []
    for anywhere in (False, True):
        if anywhere and any(np.isnan(c[f"case{case}_worth_anywhere"]) for case in range(1, cases + 1)):
            found.append(None)
            continue
        bounds = [case_bound(c, case, anywhere) for case in range(1, cases + 1)]
        if "rate" in c:
            # once + the rest - rate delivered >= 0: no design has less mass for each kWh than the rate
            assert min(bounds) + once >= -1e-9 * once, "the rate is not proven"
            found.append(float(c["rate"]))
        else:
            found.append(min(bounds) + once)
    return tuple(found)


if __name__ == "__main__":
    listed, everywhere = lower_bound(sys.argv[1])
    print(f"no design of the facings listed is below {listed:.6f}")
    if everywhere is not None:
        print(f"nor of any facing, if none is worth more than the certificate says: {everywhere:.6f}")
