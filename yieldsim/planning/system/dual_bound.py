"""A lower bound from prices, whoever found them: no solver needs to be believed.

Any prices >= 0 of light, of direct service, of stored energy and of shortfall, one a row, bound the cost of every system that serves
the loads. Let

    need[t,i]    = least of (light[t] + direct[t]) / direct_i,  weight[t,i] short,
                   per_drawn_i (state[t] + drawn) + leave[t] / stored_i
    enter[t]     = most of 0,  take_in state[t] - light[t]
    hold[t]      = most of 0,  keep state[t+1] - state[t]
    value        = sum need asked - short allowed - sum enter enter_kwh - sum leave leave_kwh - slack sum hold
    unit[j]      = sum light[t] light_kwh[t,j] - sum need per_unit + short allowed'
                   + sum direct[t] (light_kwh - spare_kwh + shield_kwh)[t,j]
    store        = sum hold usable  (+ start_share keep state[0])

and factor the largest of unit[j] / per_unit and store / per_kwh. Then no system costs less than value / factor. (Weak duality of
linear programmes: multiply the constraints of `linear_programme`, written for single rows, with the prices and add them up.) Limits on
units and on the store may pay for a part of theirs:

    value - most_units mu - most_kwh nu   with   unit[j] <= factor per_unit + mu,   store <= factor per_kwh + nu

and where there must be at least so many units, each costs what it is not worth: least_units (per_unit - unit / factor) more.
Of n whole units at most, prices of fillings (`orientation.dark_spells`), whose sum is `drawn`, add sum fillings[k] beyond[k] to what
a unit is worth and n sum fillings[k] k usable to what a kWh of capacity is.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat.reliability import Flags
from yieldsim.planning.system.linear_programme import BlockPrices
from yieldsim.planning.system.row_aggregation import Blocks
from yieldsim.planning.system.terms import Prices, Terms


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RowPrices:
    """Prices by row of the run.

    light, state   (rows,)  of a kWh of light, and of a kWh stored at the row's end
    direct         (rows,)  of a kWh more of one unit's light that could serve loads directly
    leave          (rows,)  of a kWh that the limit of discharging lets out
    short          of a kWh of allowed shortfall
    fillings       (lines,)  of a kWh that may leave the store in all
    """

    light: FloatArray
    direct: FloatArray
    state: FloatArray
    leave: FloatArray
    short: float
    fillings: FloatArray = field(default_factory=lambda: np.zeros(0))

    @property
    def drawn(self) -> float:
        """Of a kWh that leaves the store, whenever."""
        return float(self.fillings.sum())

    def arrays(self) -> dict[str, np.ndarray]:
        """As a certificate has them."""
        return {f"price_{one.name}": np.array(getattr(self, one.name)) for one in fields(self)}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Bound:
    """What prices prove.

    least        no system of the facings that were priced costs less
    value        before it is scaled
    store        worth of a kWh of capacity
    unit         (facings,)  worth of one unit
    need         (rows, kinds)  price of what is asked
    """

    least: float
    value: float
    store: float
    unit: FloatArray
    need: FloatArray


def row_prices(by_block: BlockPrices, terms: Terms, blocks: Blocks, lit: Flags) -> RowPrices:
    """Prices of rows from those of blocks: the same within a block, of what is stored less by the standing loss to come.

    lit   (rows,)  which have light for any facing at all: light is beyond price in the others
    """
    of = np.repeat(np.arange(len(blocks.first)), blocks.length)
    to_end = (blocks.first + blocks.length - 1)[of] - np.arange(blocks.rows)
    state = np.maximum(by_block.state, 0.0)[of] * terms.keep**to_end
    short = max(by_block.short, 0.0)
    most = short * (terms.weight * terms.direct).max(axis=1)
    charging = terms.take_in * state
    # a limit of charging has no price where there is no light to charge with
    light = np.where(lit, np.clip(by_block.light[of], 0.0, most + charging), np.maximum(most, charging))
    if not np.isfinite(terms.enter_kwh):
        light = np.maximum(light, charging)
    direct = np.where(lit, np.clip(by_block.direct[of], 0.0, most), 0.0)
    # where no unit of the programme has light to spare, what light is worth beyond storing it serves directly: others have
    spare = lit & (direct == 0.0) & np.isfinite(terms.unit_serves_kwh) & ~terms.per_unit_kwh.any(axis=1)
    direct = np.where(spare, np.maximum(light - charging, 0.0), direct)
    light = np.where(spare, np.minimum(light, charging), light)
    leave, fillings = np.zeros(blocks.rows), np.maximum(by_block.fillings, 0.0)
    drawn = float(fillings.sum())
    if np.isfinite(terms.leave_kwh):
        # what a limit of discharging is worth where the load would pay more than the state costs
        able = terms.stored > 0.0
        asked = terms.asked_kwh[:, able] > 0.0
        pays = np.minimum((light + direct)[:, None] / terms.direct[able], short * terms.weight[:, able])
        costs = terms.per_drawn[able] * (state[:, None] + drawn)
        over = np.where(asked, pays - costs, 0.0) * terms.stored[able]
        # it pays to raise it only where that frees more than it costs
        worth = terms.asked_kwh[:, able].sum(axis=1) > terms.leave_kwh
        leave = np.where(worth, np.maximum(over.max(axis=1, initial=0.0), 0.0), 0.0)
    return RowPrices(light=light, direct=direct, state=state, leave=leave, short=short, fillings=fillings)


def bound(prices: RowPrices, light_kwh: FloatArray, terms: Terms, objective: Prices) -> Bound:
    """The bound that prices give for units of some facings.

    light_kwh   (rows, facings)  of one unit of each
    """
    need, value, store = parts(prices, terms)
    worth = unit_worth(prices, need, terms, light_kwh)
    return Bound(
        least=scaled(value, float(worth.max(initial=0.0)), store, objective),
        value=value,
        store=store,
        unit=worth,
        need=need,
    )


def parts(prices: RowPrices, terms: Terms) -> tuple[FloatArray, float, float]:
    """Price of what is asked (rows, kinds), the value before it is scaled, and the worth of a kWh of capacity."""
    light, state = prices.light, prices.state
    served = (light + prices.direct)[:, None] / terms.direct
    able = terms.stored > 0.0
    by_store = np.full_like(terms.asked_kwh, np.inf)
    taken = terms.per_drawn[able] * (state[:, None] + prices.drawn)
    by_store[:, able] = taken + prices.leave[:, None] / terms.stored[able]
    need = np.minimum(np.minimum(served, by_store), prices.short * terms.weight)
    enter = np.maximum(terms.take_in * state - light, 0.0)
    if terms.start_share is None:
        hold, start = np.maximum(terms.keep * np.roll(state, -1) - state, 0.0), 0.0
    else:
        after = np.append(state[1:], 0.0)
        hold, start = np.maximum(terms.keep * after - state, 0.0), terms.keep * state[0]
    value = float((need * terms.asked_kwh).sum()) - prices.short * terms.allowed
    value -= terms.slack_kwh * (float(hold.sum()) + start)
    if np.isfinite(terms.enter_kwh):
        value -= float(enter.sum()) * terms.enter_kwh
    elif (enter > 0.0).any():
        # light may always be stored: its price is no less than what it is worth there
        raise ValueError("light is priced below what it is worth in the store")
    if np.isfinite(terms.leave_kwh):
        value -= float(prices.leave.sum()) * terms.leave_kwh
    store = float(hold @ terms.usable) + start * (terms.start_share or 0.0)
    return need, value, store


def filled(prices: RowPrices, terms: Terms, units: float) -> float:
    """What fillings by so many units at most add to the worth of a kWh of capacity."""
    if not prices.fillings.any():
        return 0.0
    return units * float(terms.usable.max()) * float(prices.fillings @ terms.fillings)


def unit_worth(prices: RowPrices, need: FloatArray, terms: Terms, light_kwh: FloatArray) -> FloatArray:
    """Worth of one unit of each facing, (facings,)."""
    own = -float((need * terms.per_unit_kwh).sum()) + prices.short * terms.allowed_per_unit
    own += float(prices.direct @ (terms.per_unit_kwh / terms.direct).sum(axis=1))
    return light_worth(prices, terms, light_kwh) + own


def light_worth(
    prices: RowPrices, terms: Terms, light_kwh: FloatArray, beyond_kwh: FloatArray | None = None
) -> FloatArray:
    """Worth of the light of one unit of each facing, with how it fills the store, (facings,).

    beyond_kwh   (lines, facings)  of `Terms.spells`, where that is known
    """
    told = np.flatnonzero(prices.direct)
    light = light_kwh[told]
    used = np.minimum(light, terms.unit_serves_kwh[told, None])
    worth = prices.light @ light_kwh + prices.direct[told] @ used
    if prices.fillings.any():
        worth += prices.fillings @ (terms.spells.beyond_kwh(light_kwh) if beyond_kwh is None else beyond_kwh)
    return np.asarray(worth)


def scaled(value: float, unit: float, store: float, objective: Prices) -> float:
    """The least cost that prices prove, from the worth of the best unit and of a kWh of capacity.

    Scaling prices by 1 / factor is free; limits take the rest at their cost, whichever factor is best. The function of the factor
    is a sum of linear pieces with kinks where unit or store meets its price, and the best factor is at a kink.
    """
    factors = [1.0]
    factors += [
        worth / price
        for worth, price in ((unit, objective.per_unit), (store, objective.per_kwh))
        if price > 0.0
    ]
    found = 0.0
    for factor in factors:
        if factor <= 0.0:
            continue
        least = value / factor + max(objective.per_unit - unit / factor, 0.0) * objective.least_units
        feasible = True
        for worth, price, most in (
            (unit, objective.per_unit, objective.most_units),
            (store, objective.per_kwh, objective.most_kwh),
        ):
            over = worth / factor - price
            if over > 1e-15 * max(worth / factor, 1e-300):
                if not np.isfinite(most):
                    feasible = False
                    break
                least -= over * most
        if feasible:
            found = max(found, least)
    return found
