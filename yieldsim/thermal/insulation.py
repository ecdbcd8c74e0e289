"""Radiation shields between a part and its cover: what they let through, as links of a thermal network.

Between two neighbouring faces a (inside) and b (outside), per square metre of a,

    q = s (Ta^4 - Tb^4) / [1/ea + (Aa/Ab) (1/eb - 1)] + c (Ta - Tb)

with s the Stefan-Boltzmann constant: diffuse grey surfaces, large parallel planes (Aa = Ab) or long concentric cylinders
(Incropera, DeWitt, Bergman & Lavine, Fundamentals of Heat and Mass Transfer, table 13.3 and "radiation shields", from memory).
N shields make N + 1 gaps in series. With no conductance the resistances add up,

    1/e* = sum over gaps of (A0/Aa) [1/ea + (Aa/Ab) (1/eb - 1)]

which for N shields of e on both faces between planes of e is e* = e / [(N + 1) (2 - e)]. Real blankets have e* of 0.005 to 0.03,
seams and supports more than the layers (D. G. Gilmore, Spacecraft Thermal Control Handbook, vol. 1, chapter 5, from memory):
`seams_emittance` says by how much.

With conductance, e* depends on both temperatures. A network keeps the first and the last gap as they are and merges the gaps
between shields: all have the same law f(T) = r s T^4 + c T up to their areas, so that the sum of f(Ta) - f(Tb) telescopes to one link
of r and c over N - 1. That is exact for planes, and for cylinders where areas scale radiation and conduction alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from yieldsim.base.constants import STEFAN_BOLTZMANN_W_M2_K4
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.thermal_model import Insulation


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """Links in series from a part to its cover: radiative s A e in W/K4, conductive in W/K, (gaps,) each; and one across for seams."""

    radiative_w_k4: FloatArray
    conductive_w_k: FloatArray
    seams_w_k4: float


def layer_areas_m2(insulation: Insulation, area_m2: float, diameter_m: float) -> FloatArray:
    """Areas of part, shields and cover, (layer_count + 2,); a diameter of infinity: all the same."""
    growth = 2e-3 * insulation.layer_spacing_mm / diameter_m
    return np.asarray(area_m2 * (1.0 + growth * np.arange(insulation.layer_count + 2)))


def _gap_emittances(insulation: Insulation, part_emittance: float, areas_m2: FloatArray) -> FloatArray:
    """Of each gap, by its inner area, (layer_count + 1,)."""
    count = insulation.layer_count
    last = insulation.cover_inner_emittance
    inside = np.concatenate([[part_emittance], np.full(count, insulation.outer_emittance)])
    outside = np.append(
        np.full(count, insulation.inner_emittance), insulation.inner_emittance if last is None else last
    )
    return np.asarray(1.0 / (1.0 / inside + areas_m2[:-1] / areas_m2[1:] * (1.0 / outside - 1.0)))


def gaps(insulation: Insulation, area_m2: float, part_emittance: float, diameter_m: float = math.inf) -> Gaps:
    """The insulation around a part: one link without shields, two with one, else three."""
    areas = layer_areas_m2(insulation, area_m2, diameter_m)
    radiative = STEFAN_BOLTZMANN_W_M2_K4 * areas[:-1] * _gap_emittances(insulation, part_emittance, areas)
    conductive = insulation.conductance_w_m2_k * areas[:-1]
    if insulation.layer_count > 2:
        radiative, conductive = (_middle_merged(links) for links in (radiative, conductive))
    seams = STEFAN_BOLTZMANN_W_M2_K4 * area_m2 * insulation.seams_emittance
    return Gaps(radiative, conductive, seams)


def _middle_merged(links: FloatArray) -> FloatArray:
    """All links but the first and the last in series as one."""
    middle = links[1:-1]
    merged = 1.0 / float((1.0 / middle).sum()) if (middle > 0.0).all() else 0.0
    return np.array([links[0], merged, links[-1]])


def radiative_emittance(insulation: Insulation, part_emittance: float, diameter_m: float = math.inf) -> float:
    """Effective emittance e* of the layers by radiation alone, per area of the part; seams and conductance left out.

    >>> planes = Insulation(layer_count=20, cover_absorptance=0.4, cover_emittance=0.6)
    >>> round(radiative_emittance(planes, 0.03), 6)
    0.000725
    """
    areas = layer_areas_m2(insulation, 1.0, diameter_m)
    return float(1.0 / (1.0 / (areas[:-1] * _gap_emittances(insulation, part_emittance, areas))).sum())


def effective_emittance(
    insulation: Insulation,
    part_emittance: float,
    inner_k: float,
    outer_k: float,
    diameter_m: float = math.inf,
) -> float:
    """e* with conductance and seams, between two temperatures: heat over s (Ti^4 - To^4), per area of the part."""
    areas = layer_areas_m2(insulation, 1.0, diameter_m)
    radiative = STEFAN_BOLTZMANN_W_M2_K4 * areas[:-1] * _gap_emittances(insulation, part_emittance, areas)
    flow = series_flow_w(radiative, insulation.conductance_w_m2_k * areas[:-1], inner_k, outer_k)
    through = flow / (STEFAN_BOLTZMANN_W_M2_K4 * (inner_k**4 - outer_k**4))
    return through + insulation.seams_emittance


def series_flow_w(
    radiative_w_k4: FloatArray, conductive_w_k: FloatArray, inner_k: float, outer_k: float
) -> float:
    """Heat through links in series between two given temperatures, inner_k the higher, gap by gap."""
    from scipy.optimize import brentq

    def beyond_k(flow_w: float) -> float:
        """Temperature behind all gaps with this flow; below zero where it is more than they can carry."""
        here = inner_k
        for r, c in zip(radiative_w_k4.tolist(), conductive_w_k.tolist(), strict=True):
            level = r * here**4 + c * here - flow_w
            if level < 0.0:
                return float(level)
            here = float(
                brentq(lambda kelvin, r=r, c=c, level=level: r * kelvin**4 + c * kelvin - level, 0.0, here)
            )
        return here

    most = float((radiative_w_k4 * inner_k**4 + conductive_w_k * inner_k).min())
    return float(brentq(lambda flow: beyond_k(flow) - outer_k, 0.0, most, xtol=1e-15, rtol=1e-12))
