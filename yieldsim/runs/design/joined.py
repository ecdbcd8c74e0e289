"""A second site joined to the chosen one by cable or fibre, whose light complements its own: units at either in one programme.

The habitat and its store stand at the chosen site. What a unit at the other delivers comes over the link, less its loss: a cable
brings electricity, which loads and store take as they take that of the converter here, a fibre brings light.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.errors import CannotCompute
from yieldsim.base.model import Mount
from yieldsim.base.plans.design import DesignPlan, SiteLink
from yieldsim.base.results.design import JoinedResult, JoinedSystem
from yieldsim.runs.design.combinations import (
    Combination,
    Span,
    laid_out,
    most_store_kwh,
    once_kg,
    prepared,
    prices_of,
    store_kg_per_kwh,
    sunlight_of,
)
from yieldsim.runs.design.files import design_files
from yieldsim.runs.design.search import Designed, turned
from yieldsim.runs.design.verify import MOST_TRIALS, larger, serves_as_asked, write_all

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.planning.growth.phases import Landing
    from yieldsim.planning.growth.whole_units import Plan
    from yieldsim.planning.system.pricing import Sunlight
    from yieldsim.runs.setup.prepare import Prepared

STEMS = ("joined.site", "joined.collector", "joined.load")
ESTIMATE = "joined.nc"
CERTIFICATES = {True: "joined.certificate.npz", False: "there.certificate.npz"}
"""Of both sites together, and of the other one alone."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Joined:
    """What was found, and the files of the two sites together; no files and no estimate where one site alone is lighter.

    certificates   by the name of their file: of both sites together, and of the other one alone
    """

    summary: JoinedResult
    files: dict[str, str]
    estimate: xr.Dataset | None
    certificates: dict[str, dict[str, np.ndarray]]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Found:
    """Whole units at both sites, or all at the other, and the arrays that prove their bound."""

    system: JoinedSystem
    made: Plan
    certificate: dict[str, np.ndarray]


def joined_of(
    plan: DesignPlan, asked: DesignPlan, combination: Combination, best: Designed, span: Span
) -> Joined | None:
    """Both sites together, and the other alone, against the design; None where the file names no link.

    asked   the plan with its load as the design was asked to serve it, with the margin of 90 of 100 draws
    """
    link = plan.link
    if link is None:
        return None
    ready, _, here = laid_out(plan, combination, span)
    far = replace(
        combination,
        number=-1,
        site=replace(link.site.noun, mast_height_m=combination.site.mast_height_m),
    )
    far_ready = prepared(far, span)
    there = sunlight_of(plan, far_ready)
    alone = _plan(asked, combination, span, link, there, together=False)
    both = _plan(asked, combination, span, link, there, together=True)
    files: dict[str, str] = {}
    estimate = None
    if both is not None and both.system["units_here"] * both.system["units_there"] > 0:
        built = _built(plan, combination, far, span, ready, far_ready, link, both)
        if built is None:
            both = None
        else:
            system, files, estimate = built
            both = replace(both, system=system)
    found = {"there": alone, "both": both}
    masses = {"here": best.mass_kg} | {
        name: one.system["mass_kg"] for name, one in found.items() if one is not None
    }
    summary: JoinedResult = {
        "site": link.site.noun.name,
        "kind": link.kind,
        "length_km": link.length_km,
        "efficiency": link.efficiency,
        "link_kg": link.mass_kg,
        "lit_here_fraction": float(here.lit.mean()),
        "lit_there_fraction": float(there.lit.mean()),
        "lit_either_fraction": float((here.lit | there.lit).mean()),
        "dark_here_hours": _longest_hours(here.lit, here.row_hours),
        "dark_there_hours": _longest_hours(there.lit, here.row_hours),
        "dark_both_hours": _longest_hours(here.lit | there.lit, here.row_hours),
        "here_alone_kg": best.mass_kg,
        "there_alone": None if alone is None else alone.system,
        "both": None if both is None else both.system,
        "lightest": min(masses, key=lambda name: (masses[name], name)),
        "command": f"yieldsim budget {ESTIMATE} --load {STEMS[2]}.toml --site {STEMS[0]}.toml --collector {STEMS[1]}.toml"
        if estimate is not None
        else None,
    }
    return Joined(
        summary=summary,
        files=files,
        estimate=estimate,
        certificates={
            one.system["certificate"]: one.certificate for one in found.values() if one is not None
        },
    )


def _longest_hours(lit: np.ndarray, row_hours: float) -> float:
    """The longest stretch of rows without light."""
    edges = np.flatnonzero(np.diff(np.concatenate([[1], lit.astype(np.int64), [1]])))
    return float((edges[1::2] - edges[::2]).max(initial=0)) * row_hours


def _plan(
    plan: DesignPlan, combination: Combination, span: Span, link: SiteLink, there: Sunlight, *, together: bool
) -> Found | None:
    """Units at both sites, or all at the other: the best found, and its bound; None where nothing serves."""
    from yieldsim.planning.growth.branches import proved
    from yieldsim.planning.growth.certificate import certificate_of
    from yieldsim.planning.growth.column_generation import grown
    from yieldsim.planning.growth.phases import Phase
    from yieldsim.planning.growth.whole_units import near_split
    from yieldsim.planning.system.column_generation import Infeasible

    _, serving, here = laid_out(plan, combination, span)
    through = link.efficiency
    if together:
        phase = Phase(
            sunlight=here,
            serving=serving,
            units_left=np.array([1.0, through]),
            store_left=np.array([1.0, 0.0]),
            elsewhere=there,
        )
    else:
        phase = Phase(
            sunlight=there, serving=serving, units_left=np.array([through]), store_left=np.array([1.0])
        )
    landing = _landing(plan, combination, link, together=together)
    try:
        split = grown((phase,), landing, turning=not plan.facings)
    except Infeasible:
        return None
    made = near_split(split, (phase,), landing, turning=not plan.facings)
    if made is None:
        return None
    proof = proved(split, (phase,), landing, turning=not plan.facings, reached=made.cost)
    far = 1 if together else 0
    there_units = int(made.counts[made.flight == far].sum())
    system: JoinedSystem = {
        "units_here": int(made.counts.sum()) - there_units,
        "units_there": there_units,
        "storage_kwh": float(made.capacity_kwh[0]),
        "mass_kg": made.cost,
        "least_kg": min(proof.least, made.cost),
        "certificate": CERTIFICATES[together],
    }
    return Found(system=system, made=made, certificate=certificate_of(proof, (phase,), landing))


def _landing(plan: DesignPlan, combination: Combination, link: SiteLink, *, together: bool) -> Landing:
    """What parts weigh: the chosen site's as in the design; at the other its mast, and the link."""
    from yieldsim.planning.growth.phases import Landing

    prices, _ = prices_of(plan, combination)
    mast_m = combination.site.mast_height_m
    # a cable takes a converter of its own
    far = link.mass_kg + plan.masses.mast_kg_per_m * mast_m
    far += plan.masses.converter_kg if link.kind == "cable" else 0.0
    near = once_kg(plan, mast_m)
    if not together:
        near -= plan.masses.mast_kg_per_m * mast_m + (
            plan.masses.converter_kg if link.kind == "cable" else 0.0
        )
    once = np.array([near, far]) if together else np.array([near + far])
    return Landing(
        per_unit_kg=prices.per_unit,
        per_kwh_kg=store_kg_per_kwh(plan),
        once_kg=once,
        weight=np.ones(len(once)),
        most_kg=np.full(len(once), np.inf),
        most_units=float(plan.most_units),
        most_kwh=most_store_kwh(plan),
    )


def _built(
    plan: DesignPlan,
    combination: Combination,
    far: Combination,
    span: Span,
    ready: Prepared,
    far_ready: Prepared,
    link: SiteLink,
    both: Found,
) -> tuple[JoinedSystem, dict[str, str], xr.Dataset] | None:
    """Files of both sites together and the estimate of their light, with a store that passes the budget; None where none does."""
    from yieldsim.runs.budget.inputs import prepare_budget

    found, made = both.system, both.made
    mounts = [_mounts(made, flight) for flight in (0, 1)]
    estimate = joined_estimate(ready, mounts[0], far_ready, mounts[1], link.efficiency)
    capacity = found["storage_kwh"]
    for _ in range(MOST_TRIALS):
        files = design_files(plan, combination, ready, mounts[0] + mounts[1], capacity, STEMS)
        with tempfile.TemporaryDirectory(prefix="yieldsim-design-") as name:
            folder = Path(name)
            write_all(files, folder)
            site, collector, load = (folder / f"{stem}.toml" for stem in STEMS)
            case, _ = prepare_budget(estimate, load, None, None, site, collector, None)
        serves = serves_as_asked(case)
        if serves is True:
            mass = found["mass_kg"] + (capacity - found["storage_kwh"]) * store_kg_per_kwh(plan)
            return found | {"storage_kwh": capacity, "mass_kg": mass}, files, estimate
        more = larger(plan, capacity, serves)
        if more is None:
            return None
        capacity = more
    raise CannotCompute(f"the budget of {combination.name} and {far.site.name} does not settle on a store")


def _mounts(made: Plan, flight: int) -> tuple[Mount, ...]:
    """Facings of one site, to a hundredth of a degree, and how many units each has."""
    return tuple(
        made.facings.mount(place, int(made.counts[place]))
        for place in np.flatnonzero(made.flight == flight).tolist()
    )


def joined_estimate(
    ready: Prepared,
    mounts: tuple[Mount, ...],
    far: Prepared,
    far_mounts: tuple[Mount, ...],
    efficiency: float,
) -> xr.Dataset:
    """The estimate of two sites' units as one: mounts of the first, then those of the other, less the link's loss.

    The loss of the link stands with the last stage of the ledger; sky and skyline are those of the first site.
    """
    import xarray as xr

    from yieldsim.energy.integration import converge
    from yieldsim.runs.estimate.run import TOLERANCE
    from yieldsim.runs.estimate.summary import finished

    here, change = converge(turned(ready, mounts).setting, ready.grid, TOLERANCE)
    there, _ = converge(turned(far, far_mounts).setting, far.grid, TOLERANCE)
    one, other = here.series, there.series
    stages = other["stage_power_w"].values.copy()
    stages[:, -1] *= efficiency
    count = len(mounts)
    by_mount = [name for name in one.data_vars if "mount" in one[name].dims]
    scaled = other.assign(
        mount_delivered_power_w=other["mount_delivered_power_w"].copy(
            data=other["mount_delivered_power_w"].values * efficiency
        )
    )
    moved = scaled[by_mount].assign_coords(mount=np.arange(count, count + len(far_mounts)))
    series = xr.concat([one[by_mount], moved], dim="mount", join="override", combine_attrs="override")
    series = one.drop_dims("mount").merge(series, combine_attrs="override", compat="override")
    for name, values in (
        ("stage_power_w", one["stage_power_w"].values + stages),
        (
            "delivered_power_w",
            one["delivered_power_w"].values + efficiency * other["delivered_power_w"].values,
        ),
        (
            "sun_following_power_w",
            one["sun_following_power_w"].values + efficiency * other["sun_following_power_w"].values,
        ),
        ("shield_power_w", one["shield_power_w"].values + other["shield_power_w"].values),
        (
            "delivering_fraction",
            np.maximum(one["delivering_fraction"].values, other["delivering_fraction"].values),
        ),
    ):
        series[name] = one[name].copy(data=values)
    finer = max(len(here.delivering), len(there.delivering))
    delivering, lit = (
        np.repeat(a, finer // len(a)) | np.repeat(b, finer // len(b))
        for a, b in ((here.delivering, there.delivering), (here.lit, there.lit))
    )
    result = replace(
        here,
        series=series,
        delivering=delivering,
        lit=lit,
        step_s=min(here.step_s, there.step_s),
        peak_w=here.peak_w + efficiency * there.peak_w,
    )
    whole = turned(ready, mounts + far_mounts)
    whole.notes.add(
        f"units at {far.setting.site.name} are the last {len(far_mounts)} mounts: their light comes over a link that passes "
        f"{efficiency:.1%}, and their outages of light are not told apart; what a budget makes of years, dust and doubts is reckoned "
        "as if they stood at the first site"
    )
    return finished(whole, result, change, TOLERANCE)
