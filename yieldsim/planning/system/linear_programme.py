"""The linear programme of units, store and dispatch over blocks of rows, solved with its prices.

    least   per_unit sum_j x[j] + per_kwh C
    light   sum_i l[b,i] / direct_i + c[b]  <=  sum_j light[b,j] x[j]                                 price  light
    direct  sum_i l[b,i] / direct_i  <=  sum_j (light[b,j] - spare[b,j] + shield[b]) x[j]             price  direct
    store   e[b]  <=  keep e[b-1] + take_in c[b] - sum_i per_drawn_i keep' f[b,i]                      price  state
            e[b]  <=  usable[b] C + slack
    loads   l[b,i] + f[b,i]  <=  asked[b,i] + per_unit[b,i] N,   N = sum_j x[j]
    target  sum weight (asked + per_unit N - l - f)  <=  allowed + allowed' N                          price  short
    drawn   sum per_drawn_i f[b,i]  <=  n k usable C + sum_j beyond[j,k] x[j],   with n units at most  price  fillings

x units of each facing, C capacity, e state of the store at a block's end, l and f what loads get directly and out of the store,
c light that charges, spare what of one whole unit's light no load can take directly (`terms`), shield what serves its own dust
shield: such light is lost, or stored at a loss, however many units there are. Only blocks with some have that row. With repeats e[-1]
is the last block's state, else start_share C.

What is believed of the solver's answer is the prices alone, which `dual_bound` checks and mends.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from yieldsim.base.numerics.linear_solver import Answer, Model, Places
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.habitat.reliability import Flags
from yieldsim.planning.system.row_aggregation import Blocks, Merged, merged
from yieldsim.planning.system.terms import Prices, Terms

TOO_DEAR, LEAST_SHARE = 10.0, 0.01
"""Where more may be bought, shortfall as large as what is allowed, or a limit broken by one, costs so many times a design."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BlockPrices:
    """What a solution's constraints are worth.

    light      (blocks,)  of a kWh of light; infinite where there is none
    direct     (blocks,)  of a kWh more of one unit's light that could serve directly
    state      (blocks,)  of a kWh stored
    short      of a kWh more of allowed shortfall
    fillings   (lines,)  of a kWh more that may leave the store
    """

    light: FloatArray
    direct: FloatArray
    state: FloatArray
    short: float
    fillings: FloatArray = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Solved:
    """A solution over blocks.

    cost       of the objective
    units      (facings,)
    capacity_kwh
    stored_kwh   (blocks,)  usable state of the store at their ends
    """

    cost: float
    units: FloatArray
    capacity_kwh: float
    stored_kwh: FloatArray
    prices: BlockPrices


class Rows:
    """Sparse constraints being written down: A x <= b."""

    def __init__(self) -> None:
        """None yet."""
        self._parts: list[tuple[Any, Any, Any]] = []
        self._most: list[FloatArray] = []
        self.count = 0

    def add(self, most: FloatArray, *terms: tuple[Any, Any, Any]) -> slice:
        """Rows with right sides `most` (n,) and terms (coefficients, rows 0..n-1, columns); where they stand."""
        for value, row, column in terms:
            value, row, column = np.broadcast_arrays(value, row, column)
            self._parts.append((value.ravel(), row.ravel() + self.count, column.ravel()))
        self._most.append(most)
        first, self.count = self.count, self.count + len(most)
        return slice(first, self.count)

    def finished(self, columns: int) -> tuple[Any, FloatArray]:
        """The matrix and the right sides."""
        from scipy.sparse import coo_array

        value, row, column = (np.concatenate(part) for part in zip(*self._parts, strict=True))
        kept = value != 0.0
        entries = (value[kept].astype(np.float64), (row[kept], column[kept]))
        return coo_array(entries, shape=(self.count, columns)).tocsr(), np.concatenate(self._most)


@dataclass(frozen=True, slots=True, eq=False)
class Programme:
    """The programme of some facings as a matrix, ready for a solver.

    cost, upper   (columns,)  prices and upper limits; the lower ones are 0
    light, direct, state, target, fillings   where those constraints stand; told (n,) the blocks that have one of `direct`
    scale_kwh     energies are in units of it
    """

    cost: FloatArray
    upper: FloatArray
    matrix: Any
    most: FloatArray
    light: slice
    direct: slice
    told: Places
    state: slice
    target: slice
    fillings: slice
    facings: int
    scale_kwh: float


def programme(
    light_kwh: FloatArray, lit: Flags, terms: Terms, blocks: Blocks, prices: Prices, spare_kwh: FloatArray | None = None,
    told: Flags | None = None, beyond_kwh: FloatArray | None = None,
) -> Programme:  # fmt: skip
    """Write it down.

    light_kwh   (blocks, facings)  of one unit of each
    lit         (blocks,)  which have light at all, if not for these facings: light has a price there
    spare_kwh   (blocks, facings)  sums of `Terms.spare_kwh`; None: none
    told        (blocks,)  which have a row of direct light; None: those in which any of these facings has light to spare
    beyond_kwh  (lines, facings)  of `Terms.spells`
    """
    part = merged(terms, blocks)
    scale = max(float(part.asked_kwh.sum()) / terms.rows, 1e-12)
    count, kinds = part.asked_kwh.shape
    facings = light_kwh.shape[1]
    sunny = np.flatnonzero(lit)
    able = np.flatnonzero(terms.stored > 0.0)
    at_c = facings + 1 + count
    at_l = at_c + len(sunny)
    at_f = at_l + len(sunny) * kinds
    lines = len(terms.fillings)
    columns = at_f + count * len(able) + (1 if lines else 0)
    x, one, block = np.arange(facings), np.arange(len(sunny)), np.arange(count)
    e, c = facings + 1 + block, at_c + one
    l = at_l + np.arange(len(sunny) * kinds).reshape(len(sunny), kinds)  # noqa: E741
    f = at_f + np.arange(count * len(able)).reshape(count, len(able))
    rows = Rows()
    light = rows.add(
        np.zeros(len(sunny)),
        (1.0 / terms.direct[None, :], one[:, None], l),
        (1.0, one, c),
        (-light_kwh[sunny] / scale, one[:, None], x[None, :]),
    )
    spare = np.zeros_like(light_kwh) if spare_kwh is None else spare_kwh
    telling = np.flatnonzero(lit & (spare.any(axis=1) if told is None else told))
    direct = slice(rows.count, rows.count)
    if len(telling):
        place, shield = np.arange(len(telling)), (part.per_unit_kwh[telling] / terms.direct).sum(axis=1)
        used = light_kwh[telling] - spare[telling] + shield[:, None]
        direct = rows.add(
            np.zeros(len(telling)),
            (1.0 / terms.direct[None, :], place[:, None], l[np.searchsorted(sunny, telling)]),
            (-used / scale, place[:, None], x[None, :]),
        )
    beginning = np.zeros(count)
    if terms.start_share is not None:
        beginning[0] = part.keep[0] * terms.slack_kwh / scale
    state = rows.add(beginning, *_state(terms, part, sunny, e, c, f, able, facings))
    rows.add(np.full(count, terms.slack_kwh / scale), (1.0, block, e), (-part.usable, block, facings))
    for kind in range(kinds):
        served: list[tuple[Any, Any, Any]] = [(1.0, sunny, l[:, kind])]
        if kind in able:
            served.append((1.0, block, f[:, int(np.searchsorted(able, kind))]))
        growing = (-part.per_unit_kwh[:, kind, None] / scale, block[:, None], x[None, :])
        rows.add(part.asked_kwh[:, kind] / scale, *served, growing)
    if np.isfinite(terms.leave_kwh):
        rows.add(part.leave_kwh / scale, (1.0 / terms.stored[able][None, :], block[:, None], f))
    weighted = float((part.weight * part.asked_kwh).sum()) / scale
    per_unit = float((part.weight * part.per_unit_kwh).sum()) / scale
    target = rows.add(
        np.array([terms.allowed / scale - weighted]),
        (-part.weight[sunny], 0, l),
        (-part.weight[:, able], 0, f),
        (np.full(facings, per_unit - terms.allowed_per_unit / scale), 0, x),
    )
    fillings = slice(rows.count, rows.count)
    if lines:
        # free until a number of units limits them
        drawn = columns - 1
        each = np.broadcast_to(terms.per_drawn[able], f.shape)
        rows.add(np.zeros(1), (each.ravel(), 0, f.ravel()), (-1.0, 0, drawn))
        line = np.arange(lines)
        beyond = np.zeros((lines, facings)) if beyond_kwh is None else beyond_kwh / scale
        fillings = rows.add(np.full(lines, np.inf), (1.0, line, drawn), (-beyond, line[:, None], x[None, :]))
    if np.isfinite(prices.most_units):
        rows.add(np.array([prices.most_units]), (1.0, np.zeros(facings, np.int64), x))
    if prices.least_units > 0.0:
        rows.add(np.array([-prices.least_units]), (-1.0, np.zeros(facings, np.int64), x))
    upper = np.full(columns, np.inf)
    upper[facings] = prices.most_kwh / scale
    upper[at_c:at_l] = part.enter_kwh[sunny] / scale
    cost = np.zeros(columns)
    cost[:facings], cost[facings] = prices.per_unit, prices.per_kwh * scale
    matrix, most = rows.finished(columns)
    return Programme(
        cost, upper, matrix, most, light, direct, telling, state, target, fillings, facings, scale
    )


def _state(
    terms: Terms, part: Merged, lit: Any, e: Any, c: Any, f: Any, able: Any, capacity: int
) -> list[tuple[Any, Any, Any]]:
    """The terms of the store's balance."""
    count = len(e)
    block = np.arange(count)
    found: list[tuple[Any, Any, Any]] = [
        (1.0, block, e),
        (-terms.take_in, lit, c),
        (part.drawn_keep[:, None] * terms.per_drawn[able][None, :], block[:, None], f),
    ]
    if terms.start_share is None:
        return [*found, (-part.keep, block, np.roll(e, 1))]
    found.append((-part.keep[1:], block[1:], e[:-1]))
    return [*found, (-part.keep[0] * terms.start_share, np.zeros(1, np.int64), np.array([capacity]))]


def buying_shortfall(made: Programme, terms: Terms, price: float) -> Programme:
    """The same with a last column: shortfall beyond what is allowed, at a price for as much again.

    Where hardly any is allowed, for LEAST_SHARE of what is asked.
    """
    from scipy.sparse import coo_array, hstack

    allowed = max(terms.allowed, LEAST_SHARE * float((terms.weight * terms.asked_kwh).sum()))
    beyond = coo_array(([-1.0], ([made.target.start], [0])), shape=(made.matrix.shape[0], 1))
    return replace(
        made,
        cost=np.append(made.cost, price * made.scale_kwh / allowed),
        upper=np.append(made.upper, np.inf),
        matrix=hstack([made.matrix, beyond]).tocsr(),
    )


def by_solver(cost: FloatArray, matrix: Any, most: FloatArray, upper: FloatArray) -> Answer | None:
    """The solver's answer to  least cost x, matrix x <= most, 0 <= x <= upper;  None where nothing fulfils that.

    Raises CannotCompute where the solver gives up.
    """
    return Model(cost, matrix, most, upper).answer()


def block_prices(made: Programme, price: FloatArray, lit: Flags) -> BlockPrices:
    """Those of a programme's rows.

    price   (rows,)  as the solver gives them: what allowing a row one less costs
    lit     (blocks,)  which have light for any facing
    """
    light = np.full(len(lit), np.inf)
    light[lit] = price[made.light]
    direct = np.zeros(len(lit))
    direct[made.told] = price[made.direct]
    return BlockPrices(
        light=light / made.scale_kwh,
        direct=direct / made.scale_kwh,
        state=price[made.state] / made.scale_kwh,
        short=float(price[made.target][0]) / made.scale_kwh,
        fillings=price[made.fillings] / made.scale_kwh,
    )


def solution(made: Programme, found: Answer, lit: Flags, units: FloatArray) -> Solved:
    """The solver's answer in kWh, with the prices of the programme's own rows."""
    capacity = made.facings
    return Solved(
        cost=found.cost,
        units=units,
        capacity_kwh=float(found.x[capacity]) * made.scale_kwh,
        stored_kwh=found.x[capacity + 1 :][: len(lit)] * made.scale_kwh,
        prices=block_prices(made, found.price, lit),
    )


def solved(light_kwh: FloatArray, lit: Flags, terms: Terms, blocks: Blocks, prices: Prices) -> Solved | None:
    """The least cost over blocks with units of some facings; None where nothing serves the loads.

    light_kwh   (blocks, facings)
    lit         (blocks,)  which have light for any facing; the price of light is infinite in the others
    Raises CannotCompute where the solver gives up.
    """
    made = programme(light_kwh, lit, terms, blocks, prices)
    found = by_solver(made.cost, made.matrix, made.most, made.upper)
    return None if found is None else solution(made, found, lit, found.x[: made.facings])


class Master:
    """Column generation's restricted master: the programme of the facings admitted so far, kept by the solver while others come in.

    places   (admitted,)  of the facings among those listed
    """

    def __init__(
        self, lit: Flags, terms: Terms, blocks: Blocks, prices: Prices, told: Flags, dear: float | None = None
    ) -> None:
        """Without facings yet.

        lit, told   (blocks,)  of all facings that may come in, as for `programme`
        dear        price of shortfall beyond what is allowed, as for `buying_shortfall`, and of breaking a limit; None: not for sale
        """
        none = np.zeros((len(lit), 0))
        made = programme(none, lit, terms, blocks, prices, told=told)
        self._made = made if dear is None else buying_shortfall(made, terms, dear)
        self._model = Model(self._made.cost, self._made.matrix, self._made.most, self._made.upper)
        self._given, self._told, self._dear = (lit, terms, blocks, prices), told, dear
        self._columns = self.places = np.zeros(0, np.int64)
        self._limits: list[int] = []
        self._filled = np.inf

    def tells(self, told: Flags) -> bool:
        """Whether facings with light to spare in these blocks may come in."""
        return not (told & ~self._told).any()

    def admit(
        self, places: Places, light_kwh: FloatArray, spare_kwh: FloatArray, counts: FloatArray | None = None,
        beyond_kwh: FloatArray | None = None,
    ) -> None:  # fmt: skip
        """Let facings in.

        places   (new,)
        light_kwh, spare_kwh   (blocks, new)
        counts   (limits, new)  1 where a limit counts the facing
        beyond_kwh   (lines, new)  as for `programme`
        """
        from scipy.sparse import csc_array, vstack

        new = programme(light_kwh, *self._given, spare_kwh, self._told, beyond_kwh)
        matrix = new.matrix.tocsc()[:, : new.facings]
        if counts is not None:
            matrix = vstack([matrix, csc_array(counts)])
        self._columns = np.append(self._columns, self._model.admit(new.cost[: new.facings], matrix))
        self.places = np.append(self.places, places)

    def charge(self, cost: FloatArray) -> None:
        """Other prices of a unit of each facing, (admitted,)."""
        self._model.charge(self._columns, cost)

    def fill(self, units: float) -> None:
        """Let so many units fill the store at most; infinite: any number."""
        if units == self._filled:
            return
        self._filled, made, terms = units, self._made, self._given[1]
        told = bool(np.isfinite(units))
        each = float(terms.usable.max()) * units if told else 0.0
        for line, number in enumerate(terms.fillings.tolist()):
            row = made.fillings.start + line
            self._model.change(row, made.facings, -each * number, 0.0 if told else np.inf)

    def limit(self, counts: FloatArray) -> int:
        """A limit that counts units, (admitted,); its place among them. Free until `bound`, and broken at a price."""
        from scipy.sparse import coo_array

        assert self._dear is not None
        counted = np.flatnonzero(counts)
        row = self._model.limit(self._columns[counted], counts[counted])
        slack = coo_array(([1.0, -1.0], ([row, row], [0, 1])), shape=(row + 1, 2))
        self._model.admit(np.full(2, self._dear), slack)
        self._limits.append(row)
        return len(self._limits) - 1

    def bound(self, place: int, least: float, most: float) -> None:
        """What a limit's units may come to."""
        self._model.bound(self._limits[place], least, most)

    def answer(self) -> tuple[Solved, FloatArray] | None:
        """The least cost with units of the facings admitted, and the prices of limits; None where nothing serves the loads.

        Raises CannotCompute where the solver gives up.
        """
        found = self._model.answer(possible=self._dear is not None)
        if found is None:
            return None
        return solution(self._made, found, self._given[0], found.x[self._columns]), found.price[self._limits]
