"""A closer bound where units are few: they come in whole numbers, in all and in any part of the sky.

With split units the least cost lies at n and a half, say, or half a unit faces the morning. A real design has n or fewer, or n + 1 or
more. Each is a programme of its own (`branch_programme`), and the cheaper of their bounds holds for every design; whichever is the
lower is branched again (A. H. Land, A. G. Doig, "An automatic method of solving discrete programming problems", Econometrica 28,
1960): on the number of all units first, then on those in a part of the sky (`sky_parts`) whose two cases are dearest, of some that
are tried. A case whose bound is close enough to the best design is left as it is, once its prices have proved that over every facing
(`priced_sky`). Solutions met on the way are where searches for whole units begin.

Where one unit serves all loads alone, a number of units at most says how often they fill the store (`orientation.dark_spells`). So
numbers are told one after the other then, up to one that costs too much.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from threading import Lock

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.planning.branching.branch_programme import (
    WHOLE,
    Branched,
    Branching,
    Case,
    Limited,
    Pool,
    unbranched,
)
from yieldsim.planning.branching.priced_sky import PricedSky
from yieldsim.planning.branching.sky_parts import WHOLE_SKY, Part, narrowed, split_parts
from yieldsim.planning.orientation.mount_frames import Facings, together
from yieldsim.planning.system.column_generation import LEAST_UNITS, Relaxed
from yieldsim.planning.system.dual_bound import scaled
from yieldsim.planning.system.pricing import Sunlight
from yieldsim.planning.system.terms import Prices, Terms

MOST_UNITS, MOST_UNITS_OF_LONG, LONG_BLOCKS, COUNTED = 20.0, 12.0, 500, 60.0
"""Of more units, in runs of more blocks, too many face any part of the sky for the bound to rise in reasonable time: their number
alone is branched, up to the last."""
MOST_BLOCKS = 14_000
"""So many blocks are solved for in all: programmes take about as long as they have blocks, and `FIXED_BLOCKS` more."""
LEAST_SOLVED, FIXED_BLOCKS = 24, 20
CUT_FROM, TIMES_BLOCKS = 20, 3
"""After so many cases blocks are cut for them, to so many times those of the split solution: most trees end before."""
ROLLED_PROOF = 12
"""A proof over every facing and roll takes as long as so many programmes."""
TRIED_FIRST, TRIED_LATER, FIRST = 6, 2, 6
"""Parts whose cases are worked out before one is taken, for so many of the first cases, and later."""
GLANCE, HOPE = 0.2, 0.3
"""After this share of all that may be solved, a bound must have come this share as far."""
LAST_SEARCH = 8
"""Whole units are sought from solutions of the first cases only."""
MOST_TURNS, ALL_TURNS, WORTH_MORE = 3, 9, 5e-4
CLOSE, DEAREST = 1.02, 0.995
"""Cases are worth trying until they pass the goal so much, and are not turned beyond it unless a proof asks for that. A goal of
facings listed is above that of all, below a cost."""
Sought = Callable[[Relaxed], float]


def branched(
    split: Relaxed, sunlight: Sunlight, terms: Terms, objective: Prices, cost: float, goal_of: Callable[[float], float],
    sought: Sought, *, turning: bool, effort: float = 1.0,
) -> Branched:  # fmt: skip
    """Cases whose bound comes near to the best design, where units are few; the one case of all designs where they are many.

    cost      of the best design known
    goal_of   the bound that is close enough to a design's cost
    sought    searches for whole units from split ones, and says what the best design costs then
    effort    so many times as much is solved at most
    """
    most_units = MOST_UNITS_OF_LONG if len(split.blocks.first) > LONG_BLOCKS else MOST_UNITS
    units = float(split.units.sum())
    if split.least >= goal_of(cost) or units > COUNTED:
        return unbranched(split)
    terms = _filling(terms, sunlight, split.light_kwh, turning=turning)
    parts = units <= most_units
    tree = _Tree(
        split, sunlight, terms, objective, cost, goal_of, turning=turning, parts=parts, effort=effort
    )
    if parts or len(terms.fillings):
        tree.grow(sought)
    else:
        tree.count()
    found = tree.finished()
    return found if found.least > split.least else unbranched(split)


def _filling(terms: Terms, sunlight: Sunlight, light_kwh: FloatArray, *, turning: bool) -> Terms:
    """Terms with how often one unit fills the store, where that can be told: of any facing, or of those given.

    light_kwh   (rows, facings)  of one unit of some facings, or of those given
    """
    told = terms.fills and bool(np.isfinite(terms.unit_serves_kwh).any())
    if not told or (turning and not sunlight.prospect.year.ready.is_round):
        return terms
    return replace(terms, fillings=terms.spells.numbers(light_kwh))


@dataclass(slots=True, eq=False)
class _Node:
    """A case that may be branched still: its last solution, by the first or the second programme of the pool, and a facing that its
    proof met and is worth more than those listed."""

    found: Limited
    least: float
    which: int = 0
    worth_anywhere: float | None = None
    met: tuple[Facings, ...] = ()
    searched: bool = False
    cut: bool = False
    part: Part | None = None
    number: int = 0
    children: tuple[_Node, _Node] | None = None


class _Tree:
    def __init__(
        self, split: Relaxed, sunlight: Sunlight, terms: Terms, objective: Prices, cost: float, goal_of: Callable[[float], float],
        *, turning: bool, parts: bool, effort: float,
    ) -> None:  # fmt: skip
        self._parts = parts
        lit = sunlight.lit[: terms.rows]
        self._pool = Pool(split.facings, split.light_kwh, terms, objective, split.blocks, lit, cost)
        self._sunlight, self._terms, self._objective, self._turning = sunlight, terms, objective, turning
        self._sky = PricedSky(sunlight, terms, objective)
        self._goal_of, self._cost = goal_of, cost
        # kernels that sweep the sky share themselves among threads: one at a time, and one count of what is left
        self._sweeping = Lock()
        # between the facings listed the bound is lower by about so much; prices may prove nothing at all
        self._slack = split.least / split.proof.least if split.least > 0.0 else 1.0
        self._most = max(int(effort * MOST_BLOCKS / (len(split.blocks.first) + FIXED_BLOCKS)), LEAST_SOLVED)
        self._left = self._most
        self._most_blocks = TIMES_BLOCKS * len(split.blocks.first)
        found = unbranched(split).cases[0].proof
        # whole units were sought from the split ones before
        self._root = _Node(found, found.least, searched=True)
        self._open = [self._root]

    @property
    def _goal(self) -> float:
        """The bound that is close enough."""
        return self._goal_of(self._cost)

    @property
    def _listed_goal(self) -> float:
        """The same for what the facings listed prove."""
        return min(max(self._goal / self._slack, self._goal), max(DEAREST * self._cost, self._goal))

    def grow(self, sought: Sought) -> None:
        """Branch the lowest bound until all are close enough, or enough was solved."""
        passed, next_search = 0, 1
        begun: tuple[int, float] | None = None
        while self._open:
            node = min(self._open, key=lambda one: one.least)
            # numbers of units, told one by one, may take as much again
            spent = self._left <= (0 if self._counted(node) else -self._most)
            if spent or node.least >= self._listed_goal:
                break
            if self._counted(node):
                begun = begun or (self._left, node.least)
                if self._hopeless(node.least, *begun):
                    break
            passed += 1
            if next_search <= passed <= LAST_SEARCH and not node.searched:
                # ever more seldom: 1, 2, 3, 5, 7, 10, ...
                next_search = passed + 1 + passed // 3
                node.searched = True
                self._cost = min(self._cost, sought(self._pool.split(node.found)))
                continue
            if passed > CUT_FROM and not node.cut:
                node.cut = True
                if self._pool.cut(node.found, self._most_blocks):
                    self._solve_again(node)
                    continue
            if self._pool.breaks(node.found):
                # branched where it stands, a case would ask for more and for fewer units than its limits
                if not self._pool.dearer():
                    break
                self._solve_again(node)
                self._open = [one for one in self._open if one is not node or not self._closed(node)]
                continue
            if not self._branch(node, TRIED_FIRST if passed <= FIRST else TRIED_LATER):
                break

    def count(self) -> None:
        """Branch the number of all units alone, each case over blocks cut for it, its facings turned until none is worth more."""
        root, total = self._root, float(self._root.found.units.sum())
        if abs(total - round(total)) <= WHOLE:
            return
        root.part, root.number = WHOLE_SKY, math.floor(total)
        start, other, begun = self._pool.promising(root.found), self._pool.again(), self._pool.facings.count
        most, goal = self._most_blocks, self._listed_goal

        def case(pool: Pool, *, more: bool) -> Limited:
            one = pool.solved(narrowed((), WHOLE_SKY, root.number, more=more), start)
            if pool.cut(one, most):
                one = pool.solved(one.limits, pool.promising(one))
            return self._turned(one, ALL_TURNS, goal, pool)

        # side by side: the solver lets go of the interpreter
        with ThreadPoolExecutor(2) as threads:
            both = [threads.submit(case, pool, more=pool is other) for pool in (self._pool, other)]
            fewer, more = (one.result() for one in both)
        more = self._pool.with_those_of(other, begun, more)
        root.children = (_Node(fewer, fewer.least), _Node(more, more.least))
        for node in root.children:
            if node.least < goal:
                # over what the other case brought
                self._solve_again(node)
        self._open = [one for one in root.children if not self._closed(one)]

    def _solve_again(self, node: _Node) -> None:
        """A case over the blocks that there are now."""
        self._left -= 1
        closer = self._turned(self._pool.solved(node.found.limits, self._pool.promising(node.found)))
        if closer.least > node.least:
            node.found, node.least, node.worth_anywhere = closer, closer.least, None

    def _hopeless(self, least: float, left: int, start: float) -> bool:
        """Whether what was solved, since so much was left and the bound so high, brought that too little of the way to its goal."""
        spent = 1.0 - self._left / left
        return spent > GLANCE and least - start < HOPE * spent * (self._listed_goal - start)

    def _counted(self, node: _Node) -> bool:
        """Whether its number of units has an upper limit, where that many fill the store only so often."""
        if not len(self._terms.fillings):
            return True
        return any(one.part == WHOLE_SKY and math.isfinite(one.most) for one in node.found.limits)

    def _branch(self, node: _Node, tried: int) -> bool:
        total, in_use = float(node.found.units.sum()), np.flatnonzero(node.found.units > LEAST_UNITS)
        used = self._pool.facings.take(in_use)
        best: tuple[float, Part, int, tuple[Limited, Limited]] | None = None
        if abs(total - round(total)) > WHOLE:
            choices = [(WHOLE_SKY, math.floor(total))]
        elif not self._counted(node):
            choices = [(WHOLE_SKY, round(total))]
        else:
            # where units are bound by how they fill the store, parts of the sky were never seen to tell more
            parts = self._parts and not node.found.prices.fillings.any()
            choices = split_parts(used, node.found.units[in_use])[:tried] if parts else []
        if not choices:
            return False
        if self._turning and choices[0][0] != WHOLE_SKY:
            # units turned away from a part come to stand at its edge
            self._add(together(*(part.edges(used) for part, _ in choices)))
        start = self._pool.promising(node.found)

        def cases(more: bool) -> list[Limited]:
            limits = (narrowed(node.found.limits, part, number, more=more) for part, number in choices)
            return [self._pool.solved(one, start, int(more)) for one in limits]

        # side by side: the solver lets go of the interpreter
        with ThreadPoolExecutor(2) as threads:
            sides = list(threads.map(cases, (False, True)))
        self._left -= 2 * len(choices)
        for (part, number), fewer, more in zip(choices, *sides, strict=True):
            most = CLOSE * self._listed_goal
            gains = [max(min(one.least, most) - node.least, 1e-9 * most) for one in (fewer, more)]
            if best is None or gains[0] * gains[1] > best[0]:
                best = (gains[0] * gains[1], part, number, (fewer, more))
        assert best is not None
        _, node.part, node.number, both = best
        fewer, more = (
            self._turned(one, enough=self._listed_goal, which=place) for place, one in enumerate(both)
        )
        node.children = (_Node(fewer, fewer.least), _Node(more, more.least, which=1))
        self._open.remove(node)
        self._open += [one for one in node.children if not self._closed(one)]
        return True

    def _add(self, some: Facings) -> None:
        self._pool.add(some, self._sky.light_kwh(some))

    def _turned(
        self, found: Limited, turns: int = MOST_TURNS, enough: float = math.inf, pool: Pool | None = None, which: int = 0,
        met: tuple[Facings, ...] = (),
    ) -> Limited:  # fmt: skip
        """Facings turned towards what is worth most at its prices, while any is worth more than those known and proves too little.

        pool, which   where it was solved
        met           facings to begin with besides
        """
        pool = pool or self._pool
        for _ in range(turns if self._turning and (met or found.least < CLOSE * enough) else 0):
            used = pool.facings.take(np.flatnonzero(found.units > LEAST_UNITS))
            with self._sweeping:
                turned, light, worth = self._sky.turned(found, used, met)
            better = np.flatnonzero(worth > float(found.unit.max()) * (1.0 + WORTH_MORE))
            proven = scaled(found.value, float(worth.max()), found.store, self._objective)
            if len(better) == 0 or found.least > 1.5 * self._cost or proven >= enough:
                break
            before = pool.facings.count
            pool.add(turned.take(better), light[:, better])
            with self._sweeping:
                self._left -= 1
            start = np.append(pool.promising(found), np.arange(before, before + len(better)))
            found = pool.solved(found.limits, start, which)
        return found

    def _closed(self, node: _Node) -> bool:
        """Whether a case is close enough, over every facing; facings that turn out to be worth more come in."""
        for _ in range(MOST_TURNS):
            if node.found.least < self._listed_goal:
                return False
            self._prove(node, self._goal)
            if node.least >= self._goal or self._left <= 0:
                return True
            closer = self._turned(node.found, which=node.which, met=node.met)
            if closer is node.found:
                return True
            node.found, node.least, node.worth_anywhere = closer, closer.least, None
        self._prove(node, self._goal)
        return True

    def _prove(self, node: _Node, wanted: float) -> None:
        """The bound of a case over every facing: as close as is wanted, if it can be."""
        found = node.found
        if not self._turning:
            node.least = found.least
            return
        if self._sunlight.prospect.rolls_matter:
            self._left -= ROLLED_PROOF
        node.worth_anywhere, node.met = self._sky.everywhere(found, wanted)
        node.least = scaled(found.value, node.worth_anywhere, found.store, self._objective)

    def finished(self) -> Branched:
        """All cases proven."""
        wanted = min([self._goal, *(one.least for one in self._open)])
        for node in self._open:
            self._prove(node, wanted)
        branchings: list[Branching] = []
        cases: list[Case] = []

        def put(node: _Node) -> int:
            if node.children is None:
                cases.append(self._case(node))
                return -len(cases)
            assert node.part is not None
            place = len(branchings)
            branchings.append(Branching(node.part, node.number, 0, 0))
            fewer, more = (put(child) for child in node.children)
            branchings[place] = replace(branchings[place], fewer=fewer, more=more)
            return place

        put(self._root)
        return Branched(
            branchings=tuple(branchings),
            cases=tuple(cases),
            facings=self._pool.facings,
            light_kwh=self._pool.light_kwh,
            fillings=self._terms.fillings,
        )

    def _case(self, node: _Node) -> Case:
        """With the facings that came in since."""
        found, anywhere = node.found, node.worth_anywhere
        best = float(self._pool.worth(found).max())
        if anywhere is not None:
            anywhere = best = max(best, anywhere)
        least = scaled(found.value, best, found.store, self._objective)
        return Case(least=least, proof=found, worth_anywhere=anywhere)
