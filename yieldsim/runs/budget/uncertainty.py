"""How sure a budget is: its inputs drawn again and again, the estimate re-weighted for each draw."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from yieldsim.base.clock import iso, utc_from_tdb
from yieldsim.base.dataset import add
from yieldsim.base.errors import CannotCompute
from yieldsim.base.load_model import DOUBTS, ReliabilityMeasure, UncertainPlan
from yieldsim.base.model import HorizonMask, Site, TerrainHorizon
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.results.budget import ConfidentSizes, InputShare, RankingResult, UncertaintyResult
from yieldsim.planning.habitat import reliability, sizing
from yieldsim.planning.habitat.confident_sizes import confident_size
from yieldsim.planning.habitat.dispatch import Needs, Store, asking, dispatch
from yieldsim.planning.habitat.single_failures import reached
from yieldsim.planning.uncertainty import exceedance, sampling, sensitivity
from yieldsim.runs.budget.drawable import drawable
from yieldsim.runs.budget.sizes import sized_case
from yieldsim.runs.cluster import computing, in_order

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from yieldsim.planning.uncertainty.measured_years import MeasuredYear
    from yieldsim.planning.uncertainty.perturbed_estimate import DrawnRun
    from yieldsim.runs.budget.inputs import BudgetCase

OUTCOMES = {
    "delivered_kwh": True,
    "longest_gap_hours": False,
    "served_fraction": True,
    "unserved_kwh": False,
    "longest_outage_hours": False,
}
"""What is watched in every draw, and whether more of it is better."""
RANKED = ("delivered_kwh", "served_fraction")
TARGET_SHARE = "target_share"
"""Watched beside them: the share that sizing must reach, in its own measure."""
CONFIDENT = 0.9
"""Share of the draws in which sizes with confidence hold."""
DRAWS_AT_ONCE = 16
"""A process is handed so many."""
MOST_KEPT = 12_000_000
"""Rows of all draws whose light is kept to size with; longer runs would take more than 100 MB and are not sized so."""
POOR_RANKING = 0.9
LARGEST_DEPARTURE = 5e-3
"""Of the energy of the draw with all inputs as given, from the estimate's; more is told."""
OTHER_LIGHT = 0.05
"""A larger one is of another light: draws of it would tell nothing of the estimate."""


@dataclass(frozen=True, slots=True, eq=False)
class Sure:
    """The answer as JSON and the draws behind it."""

    summary: UncertaintyResult
    draws: xr.Dataset


def how_sure(
    case: BudgetCase,
    plan: UncertainPlan,
    kernels: str | Path | Sequence[str | Path] = (),
    progress: Callable[[int, int], None] | None = None,
    workers: int = 1,
    scheduler: str | None = None,
) -> Sure:
    """Run every draw, here or shared out.

    Raises InputError for inputs that site or collector don't have, CannotCompute where they give another light than the estimate's.
    """
    plan, years = drawable(plan, case, kernels)
    drawn = sampling.draw(plan)
    run = drawn_run_of(case, drawn, kernels, years)
    names = [one.what for one in plan.inputs]
    found = {name: np.empty(plan.draws) for name in (*OUTCOMES, TARGET_SHARE)}
    kept: list[FloatArray] | None = [] if plan.draws * len(case.light_kwh) <= MOST_KEPT else None
    parts = [drawn.value[first : first + DRAWS_AT_ONCE] for first in range(0, plan.draws, DRAWS_AT_ONCE)]

    def advance(done: int) -> None:
        if progress is not None:
            progress(min(done * DRAWS_AT_ONCE, plan.draws), plan.draws)

    shared = _Shared(
        run=run,
        needs=case.needs,
        store=case.store,
        row_hours=case.rows.hours,
        unit_ratio=case.unit_ratio,
        reliability_of=case.plan.reliability_of,
        names=tuple(names),
        with_light=kept is not None,
    )
    nominal, _ = _outcomes(shared, {})
    nominal.pop(TARGET_SHARE)
    estimated = float(case.light_kwh.sum())
    departure = nominal["delivered_kwh"] / estimated - 1.0 if estimated > 0.0 else 0.0
    if abs(departure) > OTHER_LIGHT:
        raise CannotCompute(
            f"with all inputs as given, what is drawn departs from the estimate's light by {departure:+.1%}: it was made from another "
            "site or collector, or its units stand at two sites; leave out what is uncertain, or estimate again"
        )
    if abs(departure) > LARGEST_DEPARTURE:
        case.notes.add(
            f"with all inputs as given the re-weighed sky departs from the estimate by {departure:+.1%}: the files or the "
            "kernels are others than the estimate's"
        )
    with computing(len(parts), workers, scheduler) as compute:
        outcomes = in_order(compute(_drawn, [(part,) for part in parts], shared), advance)
    for number, (values, light_kwh) in enumerate(one for part in outcomes for one in part):
        for name, value in values.items():
            found[name][number] = value
        if kept is not None:
            kept.append(light_kwh)
    target_share = found.pop(TARGET_SHARE)
    rankings = {name: _ranking(case, drawn, found[name], name) for name in RANKED}
    shortfall = {
        f"p{level}_{name}": exceedance.reached(found[name], level, False)
        for level in (90, 99)
        for name in ("unserved_kwh", "longest_outage_hours")
    }
    summary: UncertaintyResult = {
        "draws": plan.draws,
        "seed": plan.seed,
        "scrambles": sampling.REPLICATES,
        "inputs": [
            {
                "what": one.what,
                "meaning": DOUBTS[one.what].meaning,
                "distribution": one.distribution,
                "parameters": list(one.parameters),
                "clipped_draws": int(clipped),
            }
            for one, clipped in zip(plan.inputs, drawn.clipped, strict=True)
        ],
        "nominal": nominal,
        "nominal_departure": departure,
        "outcomes": {name: exceedance.figures(found[name], better) for name, better in OUTCOMES.items()},
        "shortfall": shortfall,
        "target_share": exceedance.figures(target_share, True),
        "confident_sizes": _confident(case, drawn, kept) if kept is not None else None,
        "measured_years": [iso(utc_from_tdb(np.array([year.first_tdb_s]))[0]) for year in years],
        "ranking": rankings,
        "convergence": {
            name: exceedance.convergence(found[name], better) for name, better in OUTCOMES.items()
        },
    }
    return Sure(summary, _dataset(names, drawn.value, found))


def drawn_run_of(
    case: BudgetCase,
    drawn: sampling.Draws,
    kernels: str | Path | Sequence[str | Path] = (),
    years: Sequence[MeasuredYear] = (),
) -> DrawnRun:
    """The sky of the estimate, ready for draws; years: those that may take the place of the site's optical depth."""
    from yieldsim.planning.uncertainty.perturbed_estimate import drawn_run
    from yieldsim.planning.uncertainty.precomputed_sky import drawn_sky
    from yieldsim.runs.setup.prepare import prepare

    assert case.site is not None
    assert case.collector is not None
    ready = prepare(
        _with_mask(case.site, case.estimate),
        case.collector,
        case.rows.edge_utc[0],
        case.rows.edge_utc[-1],
        interval_minutes=case.rows.hours * 60.0,
        kernels=kernels,
    )

    def span(what: str, neutral: float) -> tuple[float, float]:
        values = drawn.of(what)
        if values is None:
            return neutral, neutral
        return min(float(values.min()), neutral), max(float(values.max()), neutral)

    sky = drawn_sky(ready.setting, ready.grid, span("horizon_height_deg", 0.0))
    tables = [year.table for year in years]
    run = drawn_run(ready.setting, ready.grid, sky, span("fibre_attenuation", 1.0), tables)
    left = case.estimate.get("mount_light_left_fraction")
    return replace(run, cycles_run=case.cycles_run, light_left=None if left is None else left.values)


def _with_mask(site: Site, ds: xr.Dataset) -> Site:
    """The site with the estimate's own skyline where it was computed from terrain."""
    if not isinstance(site.horizon, TerrainHorizon):
        return site
    mask = HorizonMask(
        azimuth_deg=ds["horizon_azimuth_deg"].values, elevation_deg=ds["horizon_elevation_deg"].values
    )
    return replace(site, horizon=mask)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Shared:
    """What all draws share, and what their light is held against; with_light: it is wanted too."""

    run: DrawnRun
    needs: Needs
    store: Store
    row_hours: float
    unit_ratio: float
    reliability_of: ReliabilityMeasure
    names: tuple[str, ...]
    with_light: bool


def _drawn(shared: _Shared, rows: FloatArray) -> list[tuple[dict[str, float], FloatArray | None]]:
    """Some draws (draws, inputs)."""
    found: list[tuple[dict[str, float], FloatArray | None]] = []
    for row in rows:
        values = dict(zip(shared.names, row.tolist(), strict=True))
        outcomes, light_kwh = _outcomes(shared, values)
        found.append((outcomes, light_kwh if shared.with_light else None))
    return found


def _outcomes(shared: _Shared, values: dict[str, float]) -> tuple[dict[str, float], FloatArray]:
    """What is watched, in one draw, and its light (rows,), kWh."""
    from yieldsim.planning.uncertainty.perturbed_estimate import delivered_with_gap

    power_w, gap_hours = delivered_with_gap(shared.run, values)
    power_w = power_w * shared.unit_ratio
    light_kwh = power_w * shared.row_hours / 1000.0
    needs = _scaled(shared.needs, values.get("load", 1.0))
    factor = values.get("storage_capacity", 1.0)
    store = shared.store._replace(
        capacity_kwh=shared.store.capacity_kwh * factor,
        start_kwh=shared.store.start_kwh * factor,
        fade_per_kwh=shared.store.fade_per_kwh / max(factor, 1e-12),
    )
    served = reliability.served(needs, dispatch(light_kwh, needs, store), reliability.counted(needs))
    found = {
        "delivered_kwh": float(light_kwh.sum()),
        "longest_gap_hours": gap_hours,
        "served_fraction": served.fraction,
        "unserved_kwh": served.unserved_kwh,
        "longest_outage_hours": served.longest_rows * shared.row_hours,
        TARGET_SHARE: reached(served, shared.reliability_of),
    }
    return found, light_kwh


def _confident(case: BudgetCase, drawn: sampling.Draws, light_kwh: list[FloatArray]) -> ConfidentSizes:
    """Smallest storage and fewest units that hold in CONFIDENT of the draws, and in how many the given ones do."""
    sized = replace(sized_case(case), service=None)
    rows, draws = len(sized.light_kwh), len(light_kwh)
    load, capacity = drawn.of("load"), drawn.of("storage_capacity")
    ones = np.ones(draws)
    load, capacity = ones if load is None else load, ones if capacity is None else capacity

    def holds(draw: int, units: int, capacity_kwh: float) -> bool:
        one = replace(sized, light_kwh=light_kwh[draw][:rows], needs=_scaled(sized.needs, float(load[draw])))
        return sizing.holds(one, units, capacity_kwh * float(capacity[draw]))

    given = case.store.capacity_kwh
    good = sum(holds(draw, case.units, given) for draw in range(draws))
    storage = None
    if case.plan.storage is not None:
        storage = confident_size(
            lambda draw, size: holds(draw, case.units, size),
            draws,
            CONFIDENT,
            max(given, 1e-6),
            1e4 * max(given, float(case.needs.asked_kwh.max())),
        )
    units = confident_size(
        lambda draw, size: holds(draw, int(size), given),
        draws,
        CONFIDENT,
        float(case.units),
        float(sized.most_units),
        whole=True,
    )
    return {
        "share_of_draws": CONFIDENT,
        "storage_kwh": storage,
        "units": None if units is None else int(units),
        "given_holds_in": good / draws,
    }


def _scaled(needs: Needs, factor: float) -> Needs:
    """The loads asking a factor as much; limits of catching up stay."""
    return needs if factor == 1.0 else asking(needs, needs.asked_kwh * factor)


def _ranking(case: BudgetCase, drawn: sampling.Draws, values: FloatArray, name: str) -> RankingResult | None:
    """Variance shares, largest first; None where the outcome does not vary."""
    found = sensitivity.ranking(drawn, values)
    if found is None:
        return None
    if found.explained < POOR_RANKING:
        case.notes.add(
            f"the ranking of inputs for {name} explains {found.explained:.0%} of its variance: read it as a hint"
        )
    rows: list[InputShare] = [
        {"what": one.what, "first": first, "total": total}
        for one, first, total in zip(drawn.plan.inputs, found.first, found.total, strict=True)
    ]
    return {"explained": found.explained, "shares": sorted(rows, key=lambda row: -float(row["total"]))}


DRAWN = {
    "delivered_kwh": "drawn_delivered_kwh",
    "longest_gap_hours": "drawn_longest_gap_hours",
    "served_fraction": "drawn_served_fraction",
    "unserved_kwh": "drawn_unserved_kwh",
    "longest_outage_hours": "drawn_longest_outage_hours",
}
"""The outcomes as variables over draws."""


def _dataset(names: list[str], value: FloatArray, found: dict[str, FloatArray]) -> xr.Dataset:
    """The draws: numbers drawn and what came of them."""
    number = ("draw", np.arange(len(value)), {"units": "1", "long_name": "number of the draw, from 0"})
    ds = xr.Dataset(coords={"draw": number, "uncertain": np.array(names, dtype=object)})
    meaning = "number drawn for an uncertain input: a factor, degrees or the value itself, as the input says"
    ds["drawn_input"] = (("draw", "uncertain"), value, {"long_name": meaning})
    for name, word in DRAWN.items():
        ds = add(ds, word, found[name], ("draw",))
    return ds
