"""Programmes kept by the solver, held to scipy's `linprog` on the same programme written down whole."""

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.sparse import csc_array

from yieldsim.base.numerics.linear_solver import Model


def covering(rng, rows=40, columns=25):
    """Least cost of covering what rows ask for: always possible with enough of each column."""
    gives = rng.uniform(0.1, 1.0, (rows, columns)) * (rng.random((rows, columns)) < 0.3)
    gives[:, 0] = 1.0
    return rng.uniform(1.0, 2.0, columns), -gives, -rng.uniform(1.0, 5.0, rows)


def least(cost, matrix, most):
    found = linprog(cost, A_ub=matrix, b_ub=most, bounds=(0.0, None), method="highs")
    assert found.status == 0
    return found.fun


@pytest.mark.parametrize("seed", range(6))
def test_columns_that_come_in(seed):
    """After each the cost is that of the whole programme, and prices prove it: no column is worth more than it costs."""
    cost, matrix, most = covering(np.random.default_rng(seed))
    model = Model(cost[:5], csc_array(matrix[:, :5]), most, np.full(5, np.inf))
    placed = np.arange(5)
    for known in (5, 6, 15, 25):
        new = slice(len(placed), known)
        placed = np.append(placed, model.admit(cost[new], csc_array(matrix[:, new])))
        answer = model.answer(possible=seed % 2 == 0)
        assert answer.cost == pytest.approx(least(cost[:known], matrix[:, :known], most), rel=1e-7)
        assert answer.x[placed] @ cost[:known] == pytest.approx(answer.cost, rel=1e-7)
        assert (answer.price >= -1e-9).all()
        assert answer.price @ -most == pytest.approx(answer.cost, rel=1e-6)
        assert (answer.price @ -matrix[:, :known] <= cost[:known] * (1.0 + 1e-6) + 1e-9).all()


@pytest.mark.parametrize("seed", range(6))
def test_limits_that_move(seed):
    """A limit that counts columns holds from both sides, and is free again."""
    cost, matrix, most = covering(np.random.default_rng(seed))
    columns = len(cost)
    model = Model(cost, csc_array(matrix), most, np.full(columns, np.inf))
    free = model.answer()
    counted = np.arange(0, columns, 2)
    row = model.limit(counted, np.ones(len(counted)))
    count = np.zeros(columns)
    count[counted] = 1.0
    used = float(free.x[counted].sum())
    for lowest, highest in ((-np.inf, 0.5 * used), (used + 2.0, np.inf), (used, used + 1.0)):
        model.bound(row, lowest, highest)
        sides = [(1.0, highest), (-1.0, -lowest)]
        more = [(sign * count, limit) for sign, limit in sides if np.isfinite(limit)]
        whole = np.concatenate([matrix, np.stack([one for one, _ in more])])
        limits = [limit for _, limit in more]
        expected = linprog(cost, A_ub=whole, b_ub=np.append(most, limits), bounds=(0.0, None), method="highs")
        found = model.answer()
        if expected.status == 2:
            assert found is None
            continue
        assert found.cost == pytest.approx(expected.fun, rel=1e-7)
        # what the limit is worth: its price is one of keeping below, or (negative) of keeping above
        assert np.sign(found.price[row]) in ((0.0, 1.0) if lowest < used else (-1.0, 0.0))
    model.bound(row, -np.inf, np.inf)
    assert model.answer().cost == pytest.approx(free.cost, rel=1e-9)


def test_other_costs():
    """Costs changed in place."""
    cost, matrix, most = covering(np.random.default_rng(1))
    model = Model(cost, csc_array(matrix), most, np.full(len(cost), np.inf))
    model.answer()
    model.charge(np.arange(len(cost)), cost[::-1].copy())
    assert model.answer().cost == pytest.approx(least(cost[::-1], matrix, most), rel=1e-7)


def test_what_nothing_fulfils():
    """None, until a column comes in that serves."""
    model = Model(
        np.ones(1), csc_array(np.array([[-1.0], [0.0]])), np.array([-1.0, -1.0]), np.full(1, np.inf)
    )
    assert model.answer() is None
    model.admit(np.array([3.0]), csc_array(np.array([[0.0], [-1.0]])))
    assert model.answer().cost == pytest.approx(4.0)


def test_the_library_is_not_heard(capfd):
    """Its banner would stand before a command's JSON."""
    Model(np.ones(1), csc_array(np.ones((1, 1))), np.ones(1), np.ones(1)).answer()
    assert capfd.readouterr() == ("", "")
