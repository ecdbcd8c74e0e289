"""What of a budget may be drawn: inputs that its site and collector have, a shield's stated range, years as they were measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.errors import Problem, refusal, refuse
from yieldsim.base.load_model import MEASURED_YEAR, UncertainInput, UncertainPlan
from yieldsim.base.model import Collector, Site
from yieldsim.planning.uncertainty.measured_years import MOST_HOLE_DEG, MeasuredYear, measured_years

if TYPE_CHECKING:
    from yieldsim.runs.budget.inputs import BudgetCase


def drawable(
    plan: UncertainPlan, case: BudgetCase, kernels: str | Path | Sequence[str | Path]
) -> tuple[UncertainPlan, list[MeasuredYear]]:
    """The plan with the collector's own range and its measured years counted, and those years.

    Raises InputError for inputs that site or collector don't have, and a series without a whole year.
    """
    assert case.site is not None
    assert case.collector is not None
    file = next((source.name for source in case.sources if source.role == "uncertainty"), "")
    _refuse_missing(plan, case.site, case.collector, file)
    return _with_years(_with_stated_range(plan, case), case, kernels, file)


def _with_stated_range(plan: UncertainPlan, case: BudgetCase) -> UncertainPlan:
    """The plan, with a removal of the shield drawn evenly over the range that the collector states and the plan doesn't."""
    assert case.collector is not None
    shield = case.collector.shield
    if shield is None or shield.lowest_removal is None or shield.highest_removal is None or not shield.cleans:
        return plan
    if any(one.what == "shield_removal" for one in plan.inputs):
        return plan
    low, high = shield.lowest_removal, shield.highest_removal
    case.notes.add(
        f"the dust shield's removal is drawn evenly between {low:g} and {high:g}, as the collector states"
    )
    drawn = UncertainInput(what="shield_removal", distribution="uniform", parameters=(low, high))
    return replace(plan, inputs=(*plan.inputs, drawn))


def _refuse_missing(plan: UncertainPlan, site: Site, collector: Collector, file: str) -> None:
    """Raise InputError for uncertain inputs of things that aren't there; `file` is where the plan stands."""
    fibre, shield = collector.fibre, collector.shield
    lacking = {
        "optical_depth": "" if site.optical_depth is not None else f"{site.name} has no [atmosphere]",
        MEASURED_YEAR: "" if site.optical_depth is not None else f"{site.name} has no [atmosphere]",
        "dust_rate": "" if site.dust else f"{site.name} has no [dust]",
        "film_transmittance": "" if shield else f"{collector.name} has no [shield]",
        "shield_removal": ""
        if shield and shield.cycle_hours
        else f"{collector.name} has no [shield] that runs",
        "grain_median": "" if shield and shield.grains else f"{collector.name} has no [shield.grains]",
        "fibre_coupling": "" if fibre else f"{collector.name} has no [fibre]",
        "fibre_attenuation": "" if fibre else f"{collector.name} has no [fibre]",
        "radiation_dose": "" if collector.radiation else f"{collector.name} has no [radiation]",
        "fibre_darkening": (
            ""
            if fibre and fibre.darkening_db_per_km_per_year
            else f"{collector.name} has no fibre that darkens"
        ),
    }
    problems = [
        Problem(file, f"[[uncertain]] {one.what}", "can't be drawn", hint=lacking[one.what])
        for one in plan.inputs
        if lacking.get(one.what)
    ]
    refuse(problems)


def _with_years(
    plan: UncertainPlan, case: BudgetCase, kernels: str | Path | Sequence[str | Path], file: str
) -> tuple[UncertainPlan, list[MeasuredYear]]:
    """The plan with its measured years counted, and those years. Raises InputError where the series has no whole one."""
    from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
    from yieldsim.runs.open_inputs import kernel_paths
    from yieldsim.sky.season import season_return_days, solar_longitude_deg

    series = next((one.series for one in plan.inputs if one.series is not None), None)
    if series is None:
        return plan, []
    assert case.site is not None
    body = case.site.body
    first, last = float(series.x[0]), float(series.x[-1])
    ephemeris = open_ephemeris(body, first - 60.0, last + 60.0, extra=kernel_paths(kernels))
    season = solar_longitude_deg(ephemeris, body, np.asarray(series.x))
    years, left = measured_years(series, season, season_return_days(ephemeris, body, first))
    if not years:
        hint = f"a year runs from solar longitude 0 to 360, with no hole of more than {MOST_HOLE_DEG:g} deg"
        found = "holds no whole year of measurements"
        raise refusal(file, f"[[uncertain]] {MEASURED_YEAR}", found, hint=hint)
    case.notes.add(
        f"optical depth of {len(years)} measured year{'s' if len(years) != 1 else ''}, each as likely and kept whole; {left} more "
        f"{'is' if left == 1 else 'are'} not whole and left out. Fewer than ten say little about one year in ten"
        if len(years) < 10
        else f"optical depth of {len(years)} measured years, each as likely and kept whole; {left} not whole and left out"
    )
    inputs = tuple(
        one if one.series is None else replace(one, parameters=(float(len(years)),)) for one in plan.inputs
    )
    return replace(plan, inputs=inputs), years
