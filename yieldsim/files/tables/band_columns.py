"""Columns of an acceptance table that hold the acceptance of one band of wavelength: acceptance_400_500_nm."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator

import numpy as np

from yieldsim.base.errors import Problem, refusal
from yieldsim.base.model import AcceptanceBands
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.solar_spectrum import band_weights
from yieldsim.files.tables.csv_table import Column, Table, refuse_rows

ROUNDING = 0.005
"""By how much bands may differ from the acceptance of all sunlight: three digits of each, and a traced error."""
MOST_BANDS = 60
CONTRADICTION_HINT = "a band is a share of the sunlight in it, acceptance_fraction one of all sunlight"
SHORTEST_NM, LONGEST_NM = 100.0, 100_000.0
_NAME = re.compile(r"acceptance_(\d+(?:\.\d+)?)_(\d+(?:\.\d+)?)_nm", re.ASCII)


def band_column(name: str) -> Column | None:
    """The column of one band, by its heading; None where it is none."""
    return Column(name, 0.0, 1.0) if _NAME.fullmatch(name) else None


def band_heading(shortest_nm: float, longest_nm: float) -> str:
    """The heading of a band's column.

    >>> band_heading(400.0, 500.0)
    'acceptance_400_500_nm'
    """
    return f"acceptance_{shortest_nm:.10g}_{longest_nm:.10g}_nm"


def bands_of(table: Table, acceptance: FloatArray) -> AcceptanceBands | None:
    """The bands of a table, row by row, (bands, rows); None where it has none.

    acceptance   (rows,) of all sunlight
    Raises InputError for bands that overlap, and for rows where bands and whole contradict each other.
    """
    found = sorted(
        (float(match[1]), float(match[2]), name)
        for name in table.numbers
        if (match := _NAME.fullmatch(name)) is not None
    )
    if not found:
        return None
    refuse_rows(list(_wrong_ends(table.where, found)), table.where)
    ends = np.array([row[:2] for row in found])
    bands = AcceptanceBands(
        wavelength_nm=ends, acceptance_fraction=np.array([table.numbers[name] for _, _, name in found])
    )
    problems = [
        table.problem(row, "acceptance_fraction", words, hint=CONTRADICTION_HINT)
        for row, words in contradictions(bands, acceptance)
    ]
    refuse_rows(problems, table.where)
    return bands


def contradictions(bands: AcceptanceBands, acceptance: FloatArray) -> Iterator[tuple[int, str]]:
    """Rows, counted over all angles, where bands and the acceptance of all sunlight can't both be; and why, in words.

    acceptance   (*angles,) of all sunlight
    """
    whole = acceptance.ravel()
    weights = np.array([float(band_weights(pair)[0]) for pair in bands.wavelength_nm])
    inside = weights @ bands.acceptance_fraction.reshape(len(weights), -1)
    left = 1.0 - float(weights.sum())
    for row in np.flatnonzero((whole < inside - ROUNDING) | (whole > inside + left + ROUNDING)).tolist():
        if whole[row] < inside[row]:
            yield row, f"is {whole[row]:g}, and the bands alone make {inside[row]:.4g} of all sunlight"
        else:
            most = f"with all the light outside them {inside[row] + left:.4g}"
            yield row, f"is {whole[row]:g}, and the bands make {inside[row]:.4g} of all sunlight, {most}"


def _wrong_ends(where: str, found: list[tuple[float, float, str]]) -> Iterator[Problem]:
    """Problems of the bands' ends."""
    if len(found) > MOST_BANDS:
        raise refusal(where, found=f"heads {len(found)} bands", allowed=f"up to {MOST_BANDS}")
    for shortest, longest, name in found:
        if not SHORTEST_NM <= shortest < longest <= LONGEST_NM:
            allowed = f"acceptance_SHORTEST_LONGEST_nm, from {SHORTEST_NM:g} to {LONGEST_NM:g}"
            yield Problem(where, f'column "{name}"', "is no band", allowed)
    for before, after in itertools.pairwise(found):
        if after[0] < before[1]:
            yield Problem(where, f'column "{after[2]}"', f"overlaps {before[2]}", "bands side by side")
