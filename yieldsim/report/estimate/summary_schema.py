"""The summary that an estimate carries in its attributes: read, and refused in words where it is not whole."""

from __future__ import annotations

import json
from pathlib import PurePath
from typing import cast

import xarray as xr

from yieldsim.base.errors import refusal
from yieldsim.base.results.checks import faults
from yieldsim.base.results.estimate import EstimateResult

MOST_FAULTS = 3
"""Faults told one by one; more are counted."""


def estimate_summary(ds: xr.Dataset) -> EstimateResult:
    """The summary of an estimate. Raises InputError, one problem, where it is altered or lacks something."""
    try:
        found = json.loads(ds.attrs["summary"])
    except (KeyError, TypeError, ValueError, RecursionError):
        found, told = None, ["is no JSON"]
    else:
        told = faults(EstimateResult, found)
        if not told and not found["ledger"]:
            told = ["ledger is empty"]
    if told:
        more = f", and {len(told) - MOST_FAULTS} more" if len(told) > MOST_FAULTS else ""
        where = PurePath(str(ds.encoding.get("source") or "the estimate")).name
        hint = "altered, or not written by yieldsim estimate; run the estimate again"
        raise refusal(where, "summary:", f"{', '.join(told[:MOST_FAULTS])}{more}", hint=hint)
    return cast(EstimateResult, found)
