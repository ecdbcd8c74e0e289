"""Single failures by hand, and confident sizes against sorting."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.load_model import FailureRate, Storage
from yieldsim.planning.habitat.confident_sizes import confident_size
from yieldsim.planning.habitat.dispatch import ESSENTIAL, needs_from, store_of
from yieldsim.planning.habitat.single_failures import (
    MOUNT,
    SHIELDS,
    STORE,
    UNIT,
    expected_reached,
    single_failures,
)


def test_what_is_left_with_one_thing_failed() -> None:
    """1 kWh asked in each of 4 rows; two mounts of 2 and 1 units give 0.8 and 0.2 kWh in rows 0 and 1, 1 kWh is stored
    for rows 2 and 3. Without one unit of the first 0.4 kWh is lacking in each lit row, without all of it 0.8.
    """
    by_mount = np.array([[0.8, 0.2], [0.8, 0.2], [0.0, 0.0], [0.0, 0.0]])
    needs = needs_from(np.ones((4, 1)), np.ones(1), np.zeros(1), np.array([ESSENTIAL]))
    dark = needs_from(np.array([[1.0], [1.0], [0.5], [0.5]]), np.ones(1), np.ones(1), np.array([ESSENTIAL]))
    rates = {UNIT: FailureRate(every_days=990.0, repair_days=10.0)}
    common = (by_mount.sum(axis=1), by_mount, np.array([2.0, 1.0]))
    table = single_failures(
        *common, needs, store_of(None, 1.0), np.array([False]), "energy", rates, by_mount.sum(axis=1) * 0.5
    )
    assert [(row["what"], row["items"]) for row in table] == [(UNIT, 3), (MOUNT, 2), (SHIELDS, 1)]
    assert [row["unserved_kwh"] for row in table] == pytest.approx([2.8, 3.6, 3.0])
    assert expected_reached(0.5, table) == pytest.approx(0.5 - 3 * 0.01 * (0.5 - 1.2 / 4.0))
    stored = single_failures(
        *common, dark, store_of(Storage(capacity_kwh=1.0), 1.0), np.array([False]), "hours", {}, None
    )
    half = stored[-1]
    assert (half["what"], half["reached"], half["longest_outage_rows"]) == (STORE, 0.75, 1)
    assert expected_reached(1.0, stored) is None


def test_confident_sizes_are_quantiles() -> None:
    needs = np.random.default_rng(3).lognormal(1.0, 0.8, 200)
    tried = []

    def holds(draw: int, size: float) -> bool:
        tried.append(draw)
        return size >= needs[draw]

    exact = np.sort(needs)[179]
    found = confident_size(holds, 200, 0.9, 1.0, 1e4)
    assert found is not None
    assert exact <= found <= exact * 1.003
    assert len(tried) < 200 * 8
    assert confident_size(holds, 200, 0.9, 1.0, 1e4, whole=True) == np.ceil(exact)
    assert confident_size(holds, 200, 0.9, 1.0, float(exact) * 0.9) is None
