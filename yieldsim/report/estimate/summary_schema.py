"""The summary that an estimate carries in its attributes: read, and refused in words where it is not whole."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Callable, Iterator, Mapping
from pathlib import PurePath
from typing import Any, Final, NamedTuple

import xarray as xr

from yieldsim.base.errors import InputError, Problem

MOST_FAULTS = 3
"""Faults told one by one; more are counted."""
ISO = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}Z")
LARGEST = 1e15
"""No angle, energy or power of a collector comes near this."""
FIRST_YEAR, LAST_YEAR = 1700, 2300


class Leaf(NamedTuple):
    """A value of the summary: what it must be, in words and as a test."""

    words: str
    holds: Callable[[Any], bool]


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < LARGEST


def _is_moment(value: Any) -> bool:
    if not isinstance(value, str) or not ISO.fullmatch(value):
        return False
    try:
        year = dt.datetime.fromisoformat(value).year
    except ValueError:
        return False
    return FIRST_YEAR <= year <= LAST_YEAR


def _or_null(leaf: Leaf) -> Leaf:
    return Leaf(f"{leaf.words} or null", lambda value: value is None or leaf.holds(value))


TEXT = Leaf("text", lambda value: isinstance(value, str))
TEXTS = Leaf(
    "a list of texts", lambda value: isinstance(value, list) and all(isinstance(line, str) for line in value)
)
NUMBER = Leaf("a number", _is_number)
NOT_NEGATIVE = Leaf("a number, 0 or more", lambda value: _is_number(value) and value >= 0.0)
POSITIVE = Leaf("a number above 0", lambda value: _is_number(value) and value > 0.0)
MOMENT = Leaf("a moment like 2027-01-01T00:00:00Z", _is_moment)
TRUTH = Leaf("true or false", lambda value: isinstance(value, bool))
TABLE = Leaf("a table", lambda value: isinstance(value, dict))
SOURCES: Final = [{"role": TEXT, "name": TEXT, "sha256": TEXT}]

SHAPE: Final[dict[str, Any]] = {
    "site": {
        "name": TEXT, "body": TEXT, "latitude_deg": NUMBER, "longitude_deg": NUMBER, "elevation_m": NUMBER,
        "mast_height_m": NUMBER,
    },
    "collector": {
        "name": TEXT, "aperture_area_m2": POSITIVE, "unit_count": POSITIVE, "mass_kg": _or_null(POSITIVE),
    },
    "start_utc": MOMENT,
    "end_utc": MOMENT,
    "days": POSITIVE,
    "delivered_kwh": NUMBER,
    "delivered_kwh_per_m2": NUMBER,
    "delivered_kwh_per_kg": _or_null(NUMBER),
    "mean_power_w": NUMBER,
    "peak_power_w": NUMBER,
    "ledger": [{"stage": TEXT, "kwh": NUMBER}],
    "hours_delivering": NUMBER,
    "longest_gap_hours": NUMBER,
    "longest_gap_start_utc": _or_null(MOMENT),
    "longest_gap_end_utc": _or_null(MOMENT),
    "gaps": [{"start_utc": MOMENT, "end_utc": MOMENT, "hours": NUMBER}],
    "capture_fraction": _or_null(NUMBER),
    "sun_following_kwh": NUMBER,
    "etendue_limited_kwh": _or_null(NUMBER),
    "shield_kwh_electric": NUMBER,
    "convergence": {"step_s": NUMBER, "relative_change": NUMBER, "tolerance": NUMBER},
    "warnings": TEXTS,
    "cautions": TEXTS,
    "provenance": {"version": TEXT, "inputs": SOURCES, "kernels": SOURCES, "options": TABLE},
}  # fmt: skip
"""What the report and budgets need: tables, lists of one kind of table, and values."""
ETENDUE: Final = {"limit_m2_sr": NUMBER, "used_m2_sr": NUMBER, "used_fraction": NUMBER}
"""Where it is not null."""
ECLIPSES: Final = [
    {"occulter": TEXT, "kind": TEXT, "start_utc": MOMENT, "end_utc": MOMENT, "covered_fraction": NUMBER}
]
"""Where there are any."""
DELIVERED_LIGHT: Final = {
    "luminous_efficacy_lm_per_w": NOT_NEGATIVE, "photon_yield_umol_per_j": NOT_NEGATIVE,
}  # fmt: skip
"""Where it is there: budgets ask for it."""
FOLLOWING: Final = {
    "fixed_kwh_per_unit": NUMBER,
    "fixed_longest_gap_hours": NUMBER,
    "tracker_downtime_fraction": NUMBER,
    "tracker_stop_hours": NUMBER,
    "best_single_axis": TEXT,
    "followers": [
        {
            "axes": TEXT, "kwh_per_unit": NUMBER, "longest_gap_hours": NUMBER,
            "fixed_units_for_same_energy": _or_null(NUMBER), "fixed_units_for_same_gap": _or_null(NUMBER),
        }
    ],
}  # fmt: skip
"""Where it is not null."""


PERIOD: Final = {"year": TEXT, "year_days": POSITIVE}
SEASONS: Final = [
    {
        "solar_longitude_from_deg": NUMBER, "solar_longitude_to_deg": NUMBER, "solar_days": NUMBER, "kwh": NUMBER,
        "kwh_per_solar_day": NUMBER, "hours_delivering": NUMBER,
    }
]  # fmt: skip
CUT_GAPS: Final = [{"whole_hours": NUMBER, "whole_known": TRUTH}]
"""Of gaps that an end of the run cuts."""
WORST_NIGHTS: Final = {
    "nights": [
        {"start_utc": MOMENT, "end_utc": MOMENT, "hours": NOT_NEGATIVE, "at_least": TRUTH, "eclipse": TRUTH}
    ],
}
RETURN_PERIODS: Final = {
    "years": [{"from_utc": MOMENT, "longest_hours": NOT_NEGATIVE}],
    "ranked": [{"return_period_years": POSITIVE, "hours": NOT_NEGATIVE, "from_utc": MOMENT}],
    "levels": [{"return_period_years": POSITIVE, "hours": NOT_NEGATIVE}],
}
"""Of runs of five years or more."""
ASSUMPTIONS: Final = [{"of": TEXT, "what": TEXT, "value": TEXT, "default": TRUTH}]
LIMITS: Final = [{"what": TEXT, "limit": NUMBER, "reached": NUMBER, "unit": TEXT, "holds": TRUTH}]
"""Where they are there: results of earlier versions lack them."""


def estimate_summary(ds: xr.Dataset) -> dict[str, Any]:
    """The summary of an estimate. Raises InputError, one problem, where it is altered or lacks something."""
    faults: list[str]
    try:
        found = json.loads(ds.attrs["summary"])
    except (KeyError, TypeError, ValueError, RecursionError):
        found, faults = None, ["is no JSON"]
    else:
        faults = list(_faults(found, SHAPE, "")) or list(_faults(found, _optional(found), ""))
        if not faults:
            faults = list(_faults([row for row in found["gaps"] if row.get("at_least")], CUT_GAPS, "gaps"))
        if not faults and not found["ledger"]:
            faults = ["ledger is empty"]
    if faults:
        more = f", and {len(faults) - MOST_FAULTS} more" if len(faults) > MOST_FAULTS else ""
        where = PurePath(str(ds.encoding.get("source") or "the estimate")).name
        hint = "altered, or not written by yieldsim estimate; run the estimate again"
        raise InputError(Problem(where, "summary:", f"{', '.join(faults[:MOST_FAULTS])}{more}", hint=hint))
    return dict(found)


def _optional(found: Mapping[str, Any]) -> dict[str, Any]:
    """The shape of what may be left out or null, where it is there."""
    shapes = {
        "etendue": ETENDUE,
        "eclipses": ECLIPSES,
        "following": FOLLOWING,
        "delivered_light": DELIVERED_LIGHT,
        "assumptions": ASSUMPTIONS,
        "limits": LIMITS,
        "command": TEXT,
        "instantaneous_peak_power_w": NUMBER,
        "delivered_light_basis": TEXT,
        "period": PERIOD,
        "span_warnings": TEXTS,
        "seasonal_kwh": SEASONS,
        "worst_nights": WORST_NIGHTS | (RETURN_PERIODS if _has_years(found) else {}),
        "longest_gap_at_least": TRUTH,
        "longest_gap_whole_hours": NUMBER,
        "longest_gap_whole_known": TRUTH,
        "longest_gap_whole_start_utc": MOMENT,
        "longest_gap_whole_end_utc": MOMENT,
    }
    return {key: shape for key, shape in shapes.items() if found.get(key) is not None}


def _has_years(found: Mapping[str, Any]) -> bool:
    """Whether return periods are told."""
    nights = found.get("worst_nights")
    return isinstance(nights, dict) and nights.get("years") is not None


def _faults(value: Any, wanted: Any, path: str) -> Iterator[str]:
    """Every departure of a value from its shape, in words."""
    if isinstance(wanted, Leaf):
        if not wanted.holds(value):
            yield f"{path} is not {wanted.words}"
    elif isinstance(wanted, list):
        if not isinstance(value, list):
            yield f"{path} is not a list"
        else:
            for number, row in enumerate(value, start=1):
                yield from _faults(row, wanted[0], f"{path} #{number}")
    elif not isinstance(value, dict):
        yield f"{path or 'it'} is not a table"
    else:
        for key, inner in wanted.items():
            name = f"{path} {key}".lstrip()
            if key in value:
                yield from _faults(value[key], inner, name)
            else:
                yield f"{name} is missing"
