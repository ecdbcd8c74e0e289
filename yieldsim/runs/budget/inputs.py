"""What a budget is worked out from: estimate, loads, store and files, read, checked and laid out over rows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import Gathered, InputError, Problem, refusal, refuse
from yieldsim.base.load_model import LoadPlan, UncertainPlan
from yieldsim.base.model import Collector, Notes, Site, Source
from yieldsim.base.ranges import range_of
from yieldsim.base.results.estimate import EstimateResult

if TYPE_CHECKING:
    import numpy as np
    import xarray as xr

    from yieldsim.optics.photometry import LightFigures
    from yieldsim.planning.habitat.dispatch import Needs, Store
    from yieldsim.planning.habitat.load_profile import Rows
    from yieldsim.planning.habitat.shield_service import ShieldService

LONGEST_ROW_HOURS = 6.0
"""Longer rows can't tell an evening from a morning."""
MOST_UNITS = 10_000_000
SAME_PLACE_DEG = 1e-6
"""Rounding of a place written down."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BudgetCase:
    """Everything read and laid out over the estimate's rows.

    light_kwh   (rows,)  delivered light of `units` units
    service     the dust shields as a load, where site and collector say what they clean
    cycles_run  (cycles,)  which of their cycles have their electricity; None: all
    light_kwh_all_cycles  (rows,)  light_kwh if all of them ran; None: the same
    """

    estimate: xr.Dataset
    summary: EstimateResult
    plan: LoadPlan
    figures: LightFigures
    rows: Rows
    needs: Needs
    store: Store
    light_kwh: np.ndarray
    units: int
    site: Site | None
    collector: Collector | None
    sources: tuple[Source, ...]
    notes: Notes
    service: ShieldService | None = None
    cycles_run: np.ndarray | None = None
    light_kwh_all_cycles: np.ndarray | None = None

    @property
    def shield_loads(self) -> np.ndarray:
        """Which loads are the dust shields', (loads,): they grow with the units."""
        import numpy as np

        return np.array([load.is_shield for load in self.plan.loads])

    @property
    def unit_ratio(self) -> float:
        """Units of the budget over those of the estimate."""
        return self.units / int(self.summary["collector"]["unit_count"])


def prepare_budget(
    estimate: str | Path | xr.Dataset,
    load: str | Path | LoadPlan,
    units: int | None,
    reliability: float | None,
    site: str | Path | Site | None,
    collector: str | Path | Collector | None,
    uncertain: str | Path | UncertainPlan | None,
    gathered: Gathered | None = None,
) -> tuple[BudgetCase, UncertainPlan | None]:
    """Read and check everything; all problems of all inputs, and those gathered before, in one InputError."""
    from yieldsim.energy.delivered_light import BY_BAND
    from yieldsim.files.inputs.load import read_load
    from yieldsim.files.inputs.readers import read_collector, read_site
    from yieldsim.files.inputs.uncertainty import read_uncertain
    from yieldsim.optics.photometry import SUNLIGHT, LightFigures
    from yieldsim.planning.habitat.dispatch import needs_of, store_of
    from yieldsim.planning.habitat.load_profile import grey_light_caveat, light_figures, rows_of
    from yieldsim.report.estimate.summary_schema import estimate_summary
    from yieldsim.runs.open_estimate import estimate_given
    from yieldsim.runs.open_inputs import given
    from yieldsim.runs.time_span import number, whole_number

    notes, gathered = Notes(), gathered or Gathered()
    sources: list[Source] = []

    def read(key: str, value: object, kind: Any, reader: Any, file: str | None = None) -> Any:
        with gathered:
            found = given(key, value, kind, reader, file)
            sources.extend(found.sources)
            notes.add(*found.warnings)
            return found.noun
        return None

    ds: Any = None
    with gathered:
        ds = estimate_given(estimate)
    plan = read("load", load, LoadPlan, read_load)
    place = None if site is None else read("site", site, Site, read_site)
    design = None if collector is None else read("collector", collector, Collector, read_collector)
    doubts = None
    if uncertain is not None:
        doubts = read("uncertain", uncertain, UncertainPlan, read_uncertain, "uncertainty")
    if units is not None:
        with gathered:
            units = whole_number(units, "units", 1, MOST_UNITS)
    if reliability is not None:
        with gathered:
            allowed = range_of(LoadPlan, "reliability")
            if not allowed.holds(number(reliability, "reliability")):
                found = f"is {reliability!r}"
                raise refusal("", "reliability", found, allowed.words, allowed.hint(reliability))
            reliability = float(reliability)
    problems = gathered.problems
    if uncertain is not None and (site is None or collector is None):
        hint = "the files that the estimate was made from"
        problems.append(Problem("", "uncertain", "is given alone", "it beside site and collector", hint))
    if ds is not None:
        problems.extend(_unfit(ds))
        try:
            summary = estimate_summary(ds)
        except InputError as error:
            problems.extend(error.problems)
    if ds is not None and not problems:
        problems.extend(_other_place(summary, place) if place is not None else [])
        problems.extend(_other_mounts(ds, design) if design is not None else [])
    refuse(problems)
    _compare_sources(summary, sources, notes)
    for line in reversed(summary.get("span_warnings") or []):
        notes.add_first(str(line))
    light = LightFigures(**summary["delivered_light"]) if "delivered_light" in summary else SUNLIGHT
    figures = light_figures(plan, light)
    caveat = grey_light_caveat(plan)
    if caveat and summary.get("delivered_light_basis") != BY_BAND:
        notes.add(caveat)
    dark = _without_its_light(plan, figures)
    refuse(dark)
    if reliability is not None:
        plan = replace(plan, reliability=reliability)
    own_units = int(summary["collector"]["unit_count"])
    ratio = (units or own_units) / own_units
    scaled = scaled_light(ds, ratio)
    rows = rows_of(scaled)
    case = BudgetCase(
        estimate=ds,
        summary=summary,
        plan=plan,
        figures=figures,
        rows=rows,
        needs=needs_of(plan.loads, rows, figures),
        store=store_of(plan.storage, rows.hours),
        light_kwh=scaled["delivered_power_w"].values * rows.hours / 1000.0,
        units=units or own_units,
        site=place,
        collector=design,
        sources=tuple(sources),
        notes=notes,
    )
    return case, doubts


def scaled_light(ds: xr.Dataset, ratio: float) -> xr.Dataset:
    """The estimate with its light and its shields' power times a ratio of units."""
    if ratio == 1.0:
        return ds
    scaled = {name: ds[name] * ratio for name in ("delivered_power_w", "shield_power_w")}
    return ds.assign(scaled)


def with_light(case: BudgetCase) -> xr.Dataset:
    """The estimate with the case's own light."""
    ds = scaled_light(case.estimate, case.unit_ratio)
    if case.cycles_run is None or case.cycles_run.all():
        return ds
    return ds.assign(delivered_power_w=("time", case.light_kwh * 1000.0 / case.rows.hours))


def _without_its_light(plan: LoadPlan, figures: LightFigures) -> list[Problem]:
    """Problems of loads that ask for lumens or photons of light that has none, as behind an infrared fibre."""
    carried = {
        "lm": (figures.luminous_efficacy_lm_per_w, "lumens", "luminous_efficacy_lm_per_w"),
        "umol/s": (figures.photon_yield_umol_per_j, "photons from 400 to 700 nm", "photon_yield_umol_per_j"),
    }
    return [
        Problem(
            plan.name,
            f'[[loads]] "{load.name}"',
            f"asks for {carried[load.unit][1]}, and the delivered light has none",
            hint=f"look at the fibre's attenuation table, or give [spectrum] {carried[load.unit][2]}",
        )
        for load in plan.loads
        if load.unit in carried and not carried[load.unit][0] > 0.0
    ]


def _unfit(ds: xr.Dataset) -> list[Problem]:
    """Problems of an estimate that a budget can't work with."""
    hours = float(ds.attrs["interval_s"]) / 3600.0
    if hours > LONGEST_ROW_HOURS:
        hint = "run the estimate with --interval-minutes 60"
        return [
            Problem(
                "estimate", "", f"has rows of {hours:g} h", f"rows of at most {LONGEST_ROW_HOURS:g} h", hint
            )
        ]
    return []


def _other_place(summary: EstimateResult, site: Site) -> list[Problem]:
    """Problems of a site that is not the estimate's: another world, or another place on it."""
    own = summary["site"]
    turned = (site.longitude_deg - own["longitude_deg"] + 180.0) % 360.0 - 180.0
    off_deg = max(abs(site.latitude_deg - own["latitude_deg"]), abs(turned))
    if site.body.name == own["body"] and off_deg < SAME_PLACE_DEG:
        return []
    found = f"is {site.latitude_deg:g}, {site.longitude_deg:g} on {site.body.name}"
    there = f"{own['latitude_deg']:g}, {own['longitude_deg']:g} on {own['body']}"
    return [
        Problem(site.name, "place", found, f"the estimate's, {there}", "give the site that it was made from")
    ]


def _other_mounts(ds: xr.Dataset, collector: Collector) -> list[Problem]:
    """Problems of a collector that is not the estimate's: other facings or counts."""
    own = list(
        zip(
            ds["mount_tilt_deg"].values.tolist(),
            ds["mount_azimuth_deg"].values.tolist(),
            ds["mount_roll_deg"].values.tolist(),
            ds["mount_count"].values.tolist(),
            strict=True,
        )
    )
    given = [(mount.tilt_deg, mount.azimuth_deg, mount.roll_deg, mount.count) for mount in collector.mounts]
    if own == given:
        return []
    return [
        Problem(
            collector.name,
            "mounts",
            "differ from those of the estimate",
            "the collector file that the estimate was made from",
        )
    ]


def _compare_sources(summary: EstimateResult, sources: list[Source], notes: Notes) -> None:
    """Note a site or collector file that is not the one the estimate was made from."""
    known = {row["sha256"] for row in summary["provenance"]["inputs"]}
    for source in sources:
        if known and source.role in ("site", "collector") and source.sha256 not in known:
            notes.add(
                f"{source.name} has changed since the estimate was made: years, dust and doubts follow the file"
            )
