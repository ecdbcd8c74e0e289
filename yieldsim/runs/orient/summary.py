"""What `orient` found, as the labelled map and its JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, cast

import numpy as np

from yieldsim.base.clock import iso
from yieldsim.base.model import Mount
from yieldsim.base.results.orient import (
    AccuracyResult,
    BestOrientation,
    ComparedOrientation,
    MastResult,
    OneOrientation,
    OrientResult,
    SetAbility,
    UnitsResult,
    YearlyFollower,
    YearlyFollowing,
)
from yieldsim.base.results.parts import GapResult
from yieldsim.base.safety_notices import CAUTIONS
from yieldsim.base.variables import CONVENTIONS
from yieldsim.energy.gaps import Gap
from yieldsim.energy.spectral_transmittance import energy_acceptance
from yieldsim.files.output.provenance import package_version, provenance
from yieldsim.optics.acceptance_lookup import lookup
from yieldsim.planning import tracking
from yieldsim.planning.orientation.mount_frames import Facings, of_mounts
from yieldsim.planning.orientation.pointing_tolerance import losses_on_a_crooked_mast, losses_when_off
from yieldsim.planning.sunlight.sunlit_series import delivering_runs, longest_gap_steps
from yieldsim.planning.unit_sets.design import VALUE_UNIT
from yieldsim.planning.unit_sets.performance import Ability
from yieldsim.planning.unit_sets.units_matching_tracker import units_for_gaps
from yieldsim.runs.estimate.cut_gaps import cut_gap_note, gap_rows, longest_whole
from yieldsim.runs.estimate.summary import collector_words, site_words
from yieldsim.runs.estimate.tracking_comparison import follower_rows
from yieldsim.runs.orient.hand_turns import hand_turn_rows

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.planning.orientation.best_facing import Found
from yieldsim.runs.orient.types import Answers

GOAL_WORDS = {
    "annual": "most energy in a year",
    "worst-month": "most energy in the worst month",
    "shortest-gap": "shortest longest outage of light",
    "load": "most energy used by the load",
}


def oriented(answers: Answers) -> xr.Dataset:
    """The map with its summary."""
    import xarray as xr

    found, prospect, ready = answers.facing_map, answers.prospect, answers.ready
    units = ready.setting.collector.unit_count
    ds = xr.Dataset(
        coords={
            "tilt": (
                "tilt",
                found.tilt_deg,
                {"units": "degree", "long_name": "angle from the zenith to the aperture's normal"},
            ),
            "azimuth": (
                "azimuth",
                found.azimuth_deg,
                {"units": "degree", "long_name": "direction faced, clockwise from north"},
            ),
        }
    )
    words = {
        "units": "kWh",
        "long_name": f"energy delivered in a year by {_units_words(units)} in this orientation",
    }
    ds["annual_kwh"] = (("tilt", "azimuth"), units * found.annual_kwh, words)
    if prospect.rolls_matter:
        words = {"units": "degree", "long_name": "roll that is best there, of those tried"}
        ds["best_roll_deg"] = (("tilt", "azimuth"), found.roll_deg, words)
    if found.month_kwh is not None:
        months = prospect.months.sky.run_months
        what = "calendar month, UTC" if months.calendar else "30 deg of solar longitude"
        ds = ds.assign_coords(
            month=("month", months.start_utc, {"long_name": f"{what}, by its first instant"})
        )
        words = {"units": "kWh", "long_name": "energy delivered in a month of the run"}
        ds["month_kwh"] = (("month", "tilt", "azimuth"), units * found.month_kwh, words)
    ds.attrs = {
        "Conventions": CONVENTIONS,
        "title": f"Energy by direction faced: {ready.setting.collector.name} at {ready.setting.site.name}",
        "source": f"yieldsim {package_version()}",
        "history": "yieldsim orient",
        "celestial_body": ready.setting.site.body.name,
        "summary": json.dumps(_summary(answers), ensure_ascii=False),
    }
    return ds


def _summary(answers: Answers) -> OrientResult:
    ready, questions, prospect = answers.ready, answers.questions, answers.prospect
    setting, grid = ready.setting, ready.grid
    collector, track = setting.collector, prospect.track
    best = [_best_row(answers, found) for found in answers.found.values()]
    annual = best[0]
    for place, line in enumerate(_cut_gap_notes(best)):
        ready.notes.lines.insert(place + len(ready.span_notes), line)
    compared = [*_own_rows(answers), *_asked_rows(answers)]
    for row in (*best, *compared):
        row["share_of_best_fraction"] = (
            row["annual_kwh"] / annual["annual_kwh"] if annual["annual_kwh"] > 0.0 else None
        )
    if annual["annual_kwh"] == 0.0:
        ready.notes.add("no orientation gets any light during this span")
    elif best[1]["worst_month_kwh"] == 0.0:
        ready.notes.add(
            "every orientation has a month without light: the goal worst-month then goes by the year's energy"
        )
    months = prospect.months.sky.run_months
    if not months.whole.any():
        which = "calendar month" if months.calendar else "month of 30 deg of solar longitude"
        ready.notes.add(f"the span covers no whole {which}: the worst month is that of the parts it covers")
    if ready.period.is_part:
        ready.notes.add(
            f"the span is {prospect.year.sky.hours / 24.0:.1f} days: annual_kwh is what is delivered within it"
        )
    following = following_words(answers, annual)
    return {
        "schema": "yieldsim orient 1",
        "site": site_words(setting.site),
        "collector": collector_words(collector),
        "start_utc": iso(grid.edge_utc[0]),
        "end_utc": iso(grid.edge_utc[-1]),
        "days": prospect.year.sky.hours / 24.0,
        "years": prospect.years,
        "period": ready.period.words(),
        "goal": questions.goal,
        "best": best,
        "compare": compared,
        "mast": _mast(answers),
        "units": _units(answers),
        "following": following,
        "reaimings": hand_turn_rows(answers, following["followers"][0]["annual_kwh_per_unit"]),
        "load_asked_kwh": answers.asked_kwh if questions.plan is not None else None,
        "accuracy": _accuracy(answers, annual),
        "warnings": list(ready.notes.lines),
        "cautions": list(CAUTIONS),
        "provenance": provenance(
            (*ready.inputs, *ready.kernels, *questions.load_sources),
            {
                "interval_minutes": grid.interval_s / 60.0,
                "step_deg": questions.step_deg,
                "fine_step_s": track.step_s,
                "goal": questions.goal,
                "units": questions.units,
                "levelling_deg": questions.levelling_deg,
                "azimuth_error_deg": questions.azimuth_error_deg,
                "tracker_downtime_fraction": questions.tracker_downtime_fraction,
                "tracker_stop_hours": questions.tracker_stop_hours,
                "reaimings": questions.hand_turns,
            },
        ),
    }


# ---------------------------------------------------------------- facings


def facing_row(answers: Answers, mount: Mount) -> OneOrientation:
    """What the collector's units deliver when all face this way: from the fine steps themselves, no cells of
    sky."""
    prospect, grid = answers.prospect, answers.ready.grid
    some, units = of_mounts((mount,)), answers.ready.setting.collector.unit_count
    power_w = units * prospect.power_w(some)[0]
    interval_kwh = power_w * grid.interval_s / 3.6e6
    months = prospect.months.sky.run_months
    month_kwh = months.sums(interval_kwh)
    worst = months.worst(month_kwh)
    runs = delivering_runs(prospect.track, prospect.year.ready, some.axes_enu_xyz[0], mount.tilt_deg)
    gap_steps, gap_from = longest_gap_steps(runs, prospect.track.step_count)
    annual = float(interval_kwh.sum()) / prospect.years
    row: OneOrientation = {
        "tilt_deg": mount.tilt_deg,
        "azimuth_deg": mount.azimuth_deg,
        "roll_deg": mount.roll_deg,
        "annual_kwh": annual,
        "annual_kwh_per_unit": annual / units,
        "worst_month_kwh": float(month_kwh[worst]),
        "worst_month": months.label[worst],
        "monthly_kwh": [
            {"month": label, "kwh": float(kwh)} for label, kwh in zip(months.label, month_kwh, strict=True)
        ],
        "longest_gap_hours": gap_steps * prospect.track.step_hours,
        "longest_gap_start_utc": iso(prospect.track.step_utc(gap_from)),
        "hours_delivering": float((runs[1] - runs[0]).sum() * prospect.track.step_hours),
    }
    row.update(longest_whole(_longest_and_cut(answers, mount, runs, gap_from, gap_steps)))  # type: ignore[typeddict-item]
    if prospect.use is not None:
        row["used_kwh"] = float(prospect.use(power_w)) / prospect.years
    return row


def _longest_and_cut(
    answers: Answers, mount: Mount, runs: tuple[np.ndarray, np.ndarray], gap_from: int, gap_steps: int
) -> list[GapResult]:
    """The longest gap of a facing, then those that the run's ends cut, with their whole lengths."""
    track, ready = answers.prospect.track, answers.ready
    count = track.step_count
    spans = [(gap_from, gap_from + gap_steps)]
    if runs[0].size:
        spans += [(0, int(runs[0][0])), (int(runs[1][-1]), count)]
    edges = {0: ready.grid.edge_utc[0], count: ready.grid.edge_utc[-1]}
    gaps = [
        Gap(start_utc=edges.get(begin, track.step_utc(begin)), end_utc=edges.get(end, track.step_utc(end)))
        for begin, end in dict.fromkeys(spans)
        if end > begin
    ]
    alone = replace(ready.setting.collector, mounts=(mount,))
    return gap_rows(ready, gaps, track.step_s, alone, beyond=answers.beyond)


def _cut_gap_notes(rows: list[BestOrientation]) -> list[str]:
    """What to tell of the best facings' gaps that an end of the run cuts, once each."""
    told: dict[str, list[str]] = {}
    for row in rows:
        note = cut_gap_note(row)
        if note and row["hours_delivering"] > 0.0:
            told.setdefault(note, []).append(row["goal"])
    return [f"orientation best for {' and '.join(goals)}: {note}" for note, goals in told.items()]


def _best_row(answers: Answers, found: Found) -> BestOrientation:
    mount = found.facing.mount(0)
    row: BestOrientation = {
        **facing_row(answers, mount),  # type: ignore[typeddict-item]
        "goal": found.goal,
        "words": GOAL_WORDS[found.goal],
        "when_off": losses_when_off(answers.prospect, of_mounts((mount,))),
    }
    if found.goal == "annual":
        row["annual_upper_bound_kwh"] = None if found.bound is None else max(found.bound, row["annual_kwh"])
    return row


def _own_rows(answers: Answers) -> list[ComparedOrientation]:
    """The collector's own mounts, each as if all units faced that way."""
    mounts = answers.ready.setting.collector.mounts
    return [
        {
            **facing_row(answers, mount),
            "label": f"mount {number} of the file",
            "count": mount.count,
        }
        for number, mount in enumerate(mounts, start=1)
    ]


def _asked_rows(answers: Answers) -> list[ComparedOrientation]:
    rows: list[ComparedOrientation] = []
    for tilt, azimuth, roll in answers.questions.compare:
        mount = Mount(tilt_deg=tilt, azimuth_deg=azimuth, roll_deg=roll)
        label = f"{tilt:g}, {azimuth:g}" + (f", {roll:g}" if roll else "")
        rows.append({**facing_row(answers, mount), "label": label})  # type: ignore[typeddict-item]
    return rows


def _mast(answers: Answers) -> MastResult | None:
    """What a mast that leans and is turned costs the best annual facing."""
    questions = answers.questions
    if questions.levelling_deg == 0.0 and questions.azimuth_error_deg == 0.0:
        return None
    facing = answers.found["annual"].facing
    return losses_on_a_crooked_mast(
        answers.prospect, facing, questions.levelling_deg, questions.azimuth_error_deg
    )


# ---------------------------------------------------------------- units and followers


def _units(answers: Answers) -> UnitsResult | None:
    plan = answers.units
    if plan is None:
        return None
    best = plan.best
    smaller = plan.goal == "shortest-gap"
    ratio = (
        (best.upper_bound / best.value if smaller else best.value / best.upper_bound)
        if best.value and best.upper_bound
        else None
    )
    return {
        "goal": plan.goal,
        "words": GOAL_WORDS[plan.goal],
        "count": best.units,
        "set": [
            {"tilt_deg": m.tilt_deg, "azimuth_deg": m.azimuth_deg, "roll_deg": m.roll_deg, "count": m.count}
            for m in plan.mounts
        ],
        "value": best.value,
        "value_unit": VALUE_UNIT[plan.goal],
        "better": "smaller" if smaller else "larger",
        "upper_bound": best.upper_bound,
        "at_least_this_share_of_the_best_fraction": ratio,
        "bound_holds_for": plan.bound_holds_for,
        "candidate_count": plan.candidate_count,
        "candidate_step_deg": plan.candidate_step_deg,
        **_ability_words(best, answers.ready.setting.collector.mass_kg),
        "curve": [_ability_words(able, answers.ready.setting.collector.mass_kg) for able in plan.curve],
    }


def _ability_words(able: Ability, mass_kg: float | None) -> SetAbility:
    return {
        "units": able.units,
        "value": able.value,
        "upper_bound": able.upper_bound,
        "annual_kwh": able.annual_kwh,
        "annual_kwh_per_kg": able.annual_kwh / (able.units * mass_kg) if mass_kg else None,
        "mass_kg": able.units * mass_kg if mass_kg else None,
        "worst_month_kwh": able.worst_month_kwh,
        "longest_gap_hours": able.longest_gap_hours,
        "longest_gap_at_least": able.longest_gap_is_cut,
        "longest_gap_start_utc": iso(able.longest_gap_start_utc),
        "hours_delivering": able.hours_delivering,
    }


def following_words(answers: Answers, annual: OneOrientation) -> YearlyFollowing:
    """One following unit of the same aperture and losses against fixed ones at their best facings."""
    prospect, questions = answers.prospect, answers.questions
    collector = answers.ready.setting.collector
    facing: Facings = answers.found["annual"].facing
    rate = float(prospect.year.sky.dust.rate_of_tilt(facing.tilt_deg)[0])
    found = tracking.followers(
        prospect.track,
        prospect.year.ready,
        answers.ready.setting.track.vertical_latitude_deg,
        light=tracking.SunLight.of_sky(prospect.year.sky, rate),
        downtime_fraction=questions.tracker_downtime_fraction,
        stop_hours=questions.tracker_stop_hours,
    )
    fixed_kwh = annual["annual_kwh_per_unit"]
    optics = lookup(energy_acceptance(collector), prospect.year.sky.of_one_radius().class_radius_deg)
    units = units_for_gaps(
        prospect.track.bare(), optics, collector.mounts, [one.longest_gap_hours for one in found]
    )
    rows = follower_rows(found, "annual_kwh_per_unit", fixed_kwh, units)
    return {
        "fixed_annual_kwh_per_unit": fixed_kwh,
        "fixed_longest_gap_hours": annual["longest_gap_hours"],
        "fixed_longest_gap_at_least": annual["longest_gap_at_least"],
        "dark_gap_hours": prospect.dark_gap_hours,
        "tracker_downtime_fraction": questions.tracker_downtime_fraction,
        "tracker_stop_hours": questions.tracker_stop_hours,
        "same_gap_factor": tracking.SAME_GAP,
        "best_single_axis": rows[1]["axes"],
        "followers": cast(list[YearlyFollower], rows),
    }


def _accuracy(answers: Answers, annual: OneOrientation) -> AccuracyResult:
    """How the sweep over cells of sky stands to the fine steps themselves, at the best annual facing."""
    prospect = answers.prospect
    units = answers.ready.setting.collector.unit_count
    some = of_mounts(
        (Mount(tilt_deg=annual["tilt_deg"], azimuth_deg=annual["azimuth_deg"], roll_deg=annual["roll_deg"]),)
    )
    swept = float(prospect.annual_kwh(some)[0]) * units
    bound = float(prospect.year.cell_error_kwh(some.axes_enu_xyz, some.tilt_deg)[0]) / prospect.years * units
    known = annual["annual_kwh"]
    return {
        "fine_step_s": prospect.track.step_s,
        "cell_deg": prospect.months.sky.cell_deg,
        "cell_count": prospect.months.sky.cell_count,
        "sweep_against_steps_fraction": swept / known - 1.0 if known > 0.0 else None,
        "cell_error_bound_fraction": bound / known if known > 0.0 else None,
        "dust_rate_error": prospect.year.sky.dust.error,
    }


def _units_words(units: int) -> str:
    return "one unit" if units == 1 else f"{units} units"
