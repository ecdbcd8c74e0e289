"""What a budget is worked out from: estimate, loads, store and files, read, checked and laid out over rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from numbers import Integral, Real
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import InputError, Problem
from yieldsim.base.load_model import LoadPlan, UncertainPlan
from yieldsim.base.model import Collector, Notes, Site, Source
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
) -> tuple[BudgetCase, UncertainPlan | None]:
    """Read and check everything; all problems of all inputs in one InputError."""
    import xarray as xr

    from yieldsim.energy.delivered_light import BY_BAND
    from yieldsim.files.inputs.load import read_load
    from yieldsim.files.inputs.readers import read_collector, read_site
    from yieldsim.files.inputs.uncertainty import read_uncertain
    from yieldsim.files.output.estimate_check import refuse_other
    from yieldsim.optics.photometry import SUNLIGHT, LightFigures
    from yieldsim.planning.habitat.dispatch import needs_of, store_of
    from yieldsim.planning.habitat.load_profile import grey_light_caveat, light_figures, rows_of
    from yieldsim.report.estimate.summary_schema import estimate_summary
    from yieldsim.runs.noun_checks import noun_problems
    from yieldsim.runs.open_estimate import open_estimate

    notes = Notes()
    problems: list[Problem] = []
    sources: list[Source] = []

    def read(given: object, kinds: Any, reader: Callable[[Path], Any]) -> Any:
        if given is None:
            return None
        try:
            if isinstance(given, xr.Dataset):
                refuse_other(given, "estimate")
            if isinstance(given, kinds):
                problems.extend(noun_problems(given))
                return given
            found = reader(Path(str(given)))
        except InputError as error:
            problems.extend(error.problems)
            return None
        if isinstance(found, xr.Dataset):
            return found
        sources.extend(found.sources)
        for warning in found.warnings:
            notes.add(warning)
        return found.noun

    problems.extend(
        Problem("", name, "is None", "a file or what was read from one")
        for name, given in (("estimate", estimate), ("load", load))
        if given is None
    )
    ds = read(estimate, xr.Dataset, open_estimate)
    plan = read(load, LoadPlan, read_load)
    place = read(site, Site, read_site)
    design = read(collector, Collector, read_collector)
    doubts = read(uncertain, UncertainPlan, read_uncertain)
    problems.extend(_wrong_numbers(units, reliability))
    if uncertain is not None and (site is None or collector is None):
        hint = "the files that the estimate was made from"
        problems.append(Problem("", "uncertain", "is given alone", "it beside site and collector", hint))
    if ds is not None:
        problems.extend(_unfit(ds))
        try:
            summary = estimate_summary(ds)
        except InputError as error:
            problems.extend(error.problems)
    if ds is not None and design is not None and not problems:
        problems.extend(_other_mounts(ds, design))
    if problems:
        raise InputError(problems)
    _compare_sources(summary, sources, notes)
    for line in reversed(summary.get("span_warnings") or []):
        notes.add_first(str(line))
    light = LightFigures(**summary["delivered_light"]) if "delivered_light" in summary else SUNLIGHT
    figures = light_figures(plan, light)
    caveat = grey_light_caveat(plan)
    if caveat and summary.get("delivered_light_basis") != BY_BAND:
        notes.add(caveat)
    dark = _without_its_light(plan, figures)
    if dark:
        raise InputError(dark)
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


def _wrong_numbers(units: Any, reliability: Any) -> list[Problem]:
    """Problems of the numbers that a caller may give; None leaves them to the files."""
    problems = []
    whole = isinstance(units, Integral) and not isinstance(units, bool)
    if units is not None and not (whole and 1 <= units <= MOST_UNITS):
        problems.append(Problem("", "units", f"is {units!r}", f"a whole number, 1 to {MOST_UNITS}"))
    if reliability is not None and not (isinstance(reliability, Real) and 0.0 < float(reliability) <= 1.0):
        problems.append(Problem("", "reliability", f"is {reliability!r}", "more than 0, at most 1"))
    return problems


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
