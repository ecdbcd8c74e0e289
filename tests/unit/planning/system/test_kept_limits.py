"""Limits of units as rows of a programme that the solver keeps: their prices, and answers held to those of a programme made anew."""

import numpy as np
import pytest

from yieldsim.planning.branching.branch_programme import Pool
from yieldsim.planning.branching.sky_parts import WHOLE_SKY, Part, UnitLimit
from yieldsim.planning.orientation.mount_frames import Facings
from yieldsim.planning.system.column_generation import relaxed
from yieldsim.planning.system.linear_programme import Master
from yieldsim.planning.system.row_aggregation import even
from yieldsim.planning.system.terms import Prices

PRICES = Prices(per_unit=0.3, per_kwh=20.0)
EAST = Part(0.0, 181.0, 20.0, 120.0)


class Case:
    """A place and pools over the first of its candidates."""

    def __init__(self, one):
        self.some, self.terms = one.sunlight.candidates, one.serving.terms(repeats=True)
        self.light_kwh, self.lit = one.light_kwh[: self.terms.rows], one.sunlight.lit[: self.terms.rows]
        self.cost = relaxed(one.sunlight, self.terms, PRICES, turning=False).cost

    def pool(self, known, blocks=None):
        blocks = even(self.terms.rows, 12) if blocks is None else blocks
        some, light = self.some.take(np.arange(known)), self.light_kwh[:, :known]
        return Pool(some, light, self.terms, PRICES, blocks, self.lit, self.cost)

    def add(self, pool: Pool, known):
        some: Facings = self.some.take(np.arange(pool.facings.count, known))
        pool.add(some, self.light_kwh[:, pool.facings.count : known])


@pytest.mark.parametrize("noise", [1e-12, -1e-12])
def test_a_side_without_a_limit_has_no_price(place, monkeypatch, noise):
    """Whatever the solver's tolerance leaves there: it would stand before an infinite number of units."""
    case = Case(place(seed=1))
    pool, exact = case.pool(12), Master.answer
    limits = (UnitLimit(WHOLE_SKY, least=1), UnitLimit(EAST, most=50.0))
    expected = pool.solved(limits, np.arange(12))

    def blurred(self):
        answer, price = exact(self)
        return answer, price + noise

    monkeypatch.setattr(Master, "answer", blurred)
    found = pool.solved(limits, np.arange(12))
    assert found.limit_prices.most[0] == 0.0
    assert found.limit_prices.least[1] == 0.0
    assert found.least == pytest.approx(expected.least, rel=1e-6)


@pytest.mark.parametrize("asked_w", [1.0, 0.05], ids=["many units", "light to spare"])
def test_a_kept_programme_answers_as_a_new_one(place, asked_w):
    """While facings come in, limits come, move and go, and blocks are cut."""
    case = Case(place(seed=2, candidates=24, asked_w=asked_w))
    pool, rng = case.pool(8), np.random.default_rng(3)
    for known in (8, 11, 15, 15, 19, 24):
        case.add(pool, known)
        if known == 15:
            cuts = np.sort(rng.choice(np.arange(1, case.terms.rows), 4, replace=False))
            pool._merge(pool.blocks.split(cuts))
        for limits in (
            (UnitLimit(EAST, most=0.0),),
            (UnitLimit(WHOLE_SKY, least=2, most=3.0), UnitLimit(EAST, least=1)),
            (),
        ):
            every = np.arange(known)
            new = case.pool(known, pool.blocks)
            _, _, anew, _ = new._answer(limits, every, new._kept[0])
            for one in pool._kept:
                _, _, kept, _ = pool._answer(limits, every, one)
                assert kept.cost == pytest.approx(anew.cost, rel=1e-6)
