"""How long a budget takes: ten years of hours, and a thousand draws.

    python tests/benchmarks/bench_budget.py

The answers are checked first. References in the same run: the readable twin of the dispatch
(tests/properties), and the full estimate that each draw replaces. Targets: a ten-year hourly budget under 1
s, 1000 draws under 30 s.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from runpy import run_path
from typing import Any

import numpy as np

from yieldsim.base.load_model import Load, LoadPlan, Schedule, Storage
from yieldsim.files.inputs.uncertainty import read_uncertain
from yieldsim.files.text.bundled import sites_folder
from yieldsim.planning.habitat.dispatch import dispatch, needs_from, store_of
from yieldsim.planning.uncertainty.perturbed_estimate import delivered_w
from yieldsim.planning.uncertainty.sampling import draw
from yieldsim.runs.budget.inputs import prepare_budget
from yieldsim.runs.budget.run import budget
from yieldsim.runs.budget.uncertainty import drawn_run_of, how_sure
from yieldsim.runs.estimate.run import estimate

ROWS = 87_660
SITE, COLLECTOR = sites_folder() / "lantern-ridge.toml", sites_folder() / "wide.collector.toml"
LOAD, DOUBTS = sites_folder() / "habitat.load.toml", sites_folder() / "lantern-ridge.uncertain.toml"


def timed(work: Callable[[], Any], repeats: int = 3) -> tuple[float, Any]:
    """The fastest of some runs, and what came out."""
    best, found = np.inf, None
    for _ in range(repeats):
        began = time.perf_counter()
        found = work()
        best = min(best, time.perf_counter() - began)
    return float(best), found


def twin() -> Callable[..., Any]:
    """The readable dispatch of the property tests."""
    found = run_path(str(Path(__file__).parents[1] / "properties" / "storage_twin.py"))["twin"]
    assert callable(found)
    return found


def bench_dispatch() -> None:
    """Ten years of hours, four loads."""
    rng = np.random.default_rng(1)
    light = np.where(np.arange(ROWS) % 708 < 354, rng.uniform(0.0, 4.0, ROWS), 0.0)
    needs = needs_from(
        rng.uniform(0.0, 0.5, (ROWS, 4)),
        np.full(4, 0.8),
        np.full(4, 0.9),
        np.array([0, 0, 1, 2]),
        np.array([0, 0, 24, 0]),
    )
    store = store_of(Storage(capacity_kwh=150.0, standing_loss_per_day=0.002, reserve_fraction=0.4), 1.0)
    seconds, flows = timed(lambda: dispatch(light, needs, store))
    rows = 4000
    short = needs_from(
        needs.asked_kwh[:rows], needs.direct_efficiency, needs.store_efficiency, needs.rank, needs.window_rows
    )
    slow, other = timed(lambda: twin()(light[:rows], short, store), 1)
    np.testing.assert_allclose(flows.stored[: rows - 30], other.stored[: rows - 30], rtol=1e-9, atol=1e-9)
    slow *= ROWS / rows
    print(
        f"dispatch, ten years of hours, 4 loads   {seconds * 1e3:8.1f} ms   the twin takes {slow / seconds:.0f} times as long"
    )


def bench_budget() -> None:
    """A ten-year estimate: dispatch, outages, sizes and the trade curve."""
    began = time.perf_counter()
    ds = estimate(SITE, COLLECTOR, "2027-01-01", years=10)
    print(f"(the ten-year estimate itself           {time.perf_counter() - began:8.1f} s)")
    day = Schedule(windows=((6.0, 22.0),), clock="utc")
    plan = LoadPlan(
        name="ten years",
        loads=(
            Load(name="crops", kind="light", amount=20.0, schedule=day),
            Load(name="radio", kind="electric", amount=1.0, direct_efficiency=0.3),
            Load(name="baths", kind="heat", amount=6.0, priority="deferrable", window_hours=48.0),
            Load(name="lamps", kind="light", unit="lm", amount=400.0, priority="sheddable"),
        ),
        storage=Storage(capacity_kwh=5.0, converter_efficiency=0.3, discharge_efficiency=0.95, reserve_fraction=1.0,
                        standing_loss_per_day=0.001, mass_kg_per_kwh=7.0),
        reliability=0.99,
    )  # fmt: skip
    seconds, series = timed(lambda: budget(ds, plan))
    summary = json.loads(series.attrs["summary"])
    assert len(series["time"]) >= 87_600
    light = summary["light"]
    assert (
        abs(light["delivered_kwh"] - light["used_kwh"] - light["charging_kwh"] - light["curtailed_kwh"])
        < 1e-6
    )
    sizes = f"{summary['smallest_units']} units, {len(summary['trade_curve'])} points of the curve"
    print(f"ten-year hourly budget with sizes       {seconds * 1e3:8.1f} ms   target 1000 ms   ({sizes})")


def bench_draws() -> None:
    """1024 draws of eleven inputs over a year."""
    ds = estimate(SITE, COLLECTOR, "2027-01-01")
    case, doubts = prepare_budget(ds, LOAD, None, None, SITE, COLLECTOR, DOUBTS)
    assert doubts is not None
    run = drawn_run_of(case, draw(doubts))
    nominal = delivered_w(run, {}).sum() / ds["delivered_power_w"].values.sum()
    assert abs(nominal - 1.0) < 5e-4, nominal
    seconds, sure = timed(lambda: how_sure(case, read_uncertain(DOUBTS).noun), 1)
    began = time.perf_counter()
    estimate(SITE, COLLECTOR, "2027-01-01")
    full = time.perf_counter() - began
    count = len(sure.draws["draw"])
    print(
        f"{count} draws over a year of hours        {seconds:8.1f} s    target 30 s   full runs would take "
        f"{count * full / seconds:.0f} times as long"
    )


if __name__ == "__main__":
    bench_dispatch()
    bench_budget()
    bench_draws()
