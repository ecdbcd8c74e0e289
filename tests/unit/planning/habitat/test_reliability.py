"""Outages and sums of a dispatched run."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.load_model import Storage
from yieldsim.planning.habitat.dispatch import (
    DEFERRABLE,
    ESSENTIAL,
    SHEDDABLE,
    dispatch,
    needs_from,
    store_of,
)
from yieldsim.planning.habitat.reliability import (
    Outage,
    by_load,
    counted,
    light_of,
    outages,
    served,
    store_of_run,
)


def flags(text: str) -> tuple[np.ndarray, np.ndarray]:
    """x: short, o: met, .: nothing asked."""
    letters = np.array(list(text))
    return letters == "x", letters == "o"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("oooo", []),
        ("xxxx", [(0, 4)]),
        ("oxxo", [(1, 3)]),
        ("ox.xo", [(1, 4)]),
        ("ox..", [(1, 2)]),
        ("..xo.x.x", [(5, 8), (2, 3)]),
        ("xoxxoxx", [(2, 4), (5, 7), (0, 1)]),
        ("....", []),
    ],
)
def test_outages(text: str, expected: list[tuple[int, int]]) -> None:
    assert outages(*flags(text)) == tuple(Outage(*pair) for pair in expected)


def test_sums_of_loads_light_and_store() -> None:
    light = np.array([4.0, 0.0, 0.0, 3.0])
    asked = np.array([[1.0, 1.0], [1.0, 1.0], [1.0, 0.0], [0.0, 1.0]])
    needs = needs_from(asked, np.array([1.0, 0.5]), np.array([1.0, 0.0]), np.array([ESSENTIAL, SHEDDABLE]))
    store = store_of(Storage(capacity_kwh=1.5, initial_fraction=0.0, reserve_fraction=0.0), 1.0)
    flows = dispatch(light, needs, store)
    # 1 to the first, 2 of light for 1 of the second, 1 stored; one row carried; the second can't use the store
    first, second = by_load(needs, flows)
    assert (first.asked_kwh, first.direct_kwh, first.from_store_kwh, first.unserved_kwh) == (
        3.0,
        1.0,
        1.0,
        1.0,
    )
    assert (first.unserved_rows, first.longest_rows, first.fraction) == (1, 1, pytest.approx(2.0 / 3.0))
    assert (second.direct_kwh, second.unserved_kwh, second.asked_rows) == (2.0, 1.0, 3)
    both = served(needs, flows, np.ones(2, dtype=bool))
    assert both.outages == (Outage(1, 3),)
    light_sum = light_of(light, flows)
    assert light_sum["delivered_kwh"] == pytest.approx(
        light_sum["used_kwh"] + light_sum["charging_kwh"] + light_sum["curtailed_kwh"]
    )
    assert (light_sum["used_kwh"], light_sum["charging_kwh"]) == (5.0, 2.0)
    year = store_of_run(store, flows)
    assert (year["start_kwh"], year["end_kwh"], year["lowest_kwh"]) == (0.0, 1.0, 0.0)
    assert (year["charged_kwh"], year["handed_out_kwh"], year["full_cycles"]) == (
        2.0,
        1.0,
        pytest.approx(1.0 / 1.5),
    )


def test_what_counts() -> None:
    def of(*ranks: int) -> list[bool]:
        asked = np.ones((1, len(ranks)))
        return counted(needs_from(asked, np.ones(len(ranks)), np.ones(len(ranks)), np.array(ranks))).tolist()

    assert of(SHEDDABLE, ESSENTIAL, DEFERRABLE) == [False, True, False]
    assert of(SHEDDABLE, DEFERRABLE) == [True, True]


def test_nothing_asked_is_wholly_served() -> None:
    needs = needs_from(np.zeros((5, 1)), np.ones(1), np.ones(1), np.array([ESSENTIAL]))
    one = by_load(needs, dispatch(np.ones(5), needs, store_of(None, 1.0)))[0]
    assert (one.fraction, one.unserved_rows, one.outages) == (1.0, 0, ())
