"""Temperatures of one unit: funnel, joint and the first metre of its fibre, each in its insulation under a cover of its own.

    cover    takes a Sun (sunlit share) + a r E sin(h) (ground view) + e s (view of ground Tg^4 + view of sky Ts^4), sends e s T^4
    funnel   takes its share of the light through the aperture, and ground and sky through its mouth
    joint    takes what packing and coupling lose
    fibre    takes what its first metre absorbs: the most loaded one, with light of colours that the fibre hardly carries

a and e are the cover's absorptance and emittance, r the ground's reflectance, E the beam, h the Sun's height. The mouth of a mount
of tilt b sees (1 + cos b)/2 of the sky. Left out: heat of the lens, conduction along the fibre beyond its first metre, shadow of
unit on unit, heat that air carries away.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from yieldsim.base.constants import STEFAN_BOLTZMANN_W_M2_K4
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.thermal_model import Ground, Thermal
from yieldsim.thermal.insulation import Gaps, gaps
from yieldsim.thermal.network import Network

PARTS = ("cover", "fibre", "joint", "funnel")
"""Those whose temperatures are told; the cover is the fibre's."""
LOADED_M = 1.0
"""Length of the fibre's loaded beginning."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Surroundings:
    """What is around a unit in each row (rows,): the beam, the Sun's height, the ground's temperature."""

    beam_w_m2: FloatArray
    sun_elevation_deg: FloatArray
    ground_k: FloatArray


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AbsorbedLight:
    """Light that one unit turns to heat in each row, (rows,)."""

    funnel_w: FloatArray
    joint_w: FloatArray
    fibre_w: FloatArray


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class UnitNetwork:
    """The network of a unit and the numbers of its nodes; the areas of its covers, (3,), None where a part has none."""

    network: Network
    funnel: int
    joint: int
    fibre: int
    covers: tuple[int, ...]
    cover_areas_m2: tuple[float, ...]
    mouth_w_k4: float


@dataclass(frozen=True, slots=True, eq=False)
class UnitTemperatures:
    """By part: temperatures at the middle of each row (rows,), and the steady ones that bound them."""

    kelvin: dict[str, FloatArray]
    cold_case_k: dict[str, float]
    hot_case_k: dict[str, float]


class _Links:
    """A network being put together."""

    def __init__(self) -> None:
        self.capacity: list[float] = []
        self.emission: list[float] = []
        self.links: list[tuple[int, int, float, float]] = []

    def node(self, capacity_j_k: float = 0.0, emission_w_k4: float = 0.0) -> int:
        self.capacity.append(capacity_j_k)
        self.emission.append(emission_w_k4)
        return len(self.capacity) - 1

    def wrap(self, part: int, made: Gaps, cover_w_k4: float) -> int:
        """Shields and a cover around a part; the cover's number."""
        last, pairs = part, list(zip(made.radiative_w_k4.tolist(), made.conductive_w_k.tolist(), strict=True))
        for place, (radiative, conductive) in enumerate(pairs):
            outer = self.node(0.0, cover_w_k4 if place == len(pairs) - 1 else 0.0)
            self.links.append((last, outer, radiative, conductive))
            last = outer
        if made.seams_w_k4 > 0.0:
            self.links.append((part, last, made.seams_w_k4, 0.0))
        return last

    def network(self) -> Network:
        first, second, radiative, conductive = zip(*self.links, strict=True)
        return Network(
            capacity_j_k=np.array(self.capacity),
            emission_w_k4=np.array(self.emission),
            first=np.array(first, dtype=np.int64),
            second=np.array(second, dtype=np.int64),
            radiative_w_k4=np.array(radiative, dtype=np.float64),
            conductive_w_k=np.array(conductive, dtype=np.float64),
        )


def unit_network(thermal: Thermal, aperture_area_m2: float, length_m: float) -> UnitNetwork:
    """The network of a unit whose fibre is so long."""
    insulation, links = thermal.insulation, _Links()
    mouth_m2 = thermal.funnel.mouth_area_m2
    mouth_m2 = aperture_area_m2 if mouth_m2 is None else mouth_m2
    mouth_w_k4 = STEFAN_BOLTZMANN_W_M2_K4 * thermal.funnel.mouth_emittance * mouth_m2
    loaded_m, diameter_m = min(length_m, LOADED_M), thermal.fibre.diameter_mm / 1000.0
    fibre = links.node(thermal.fibre.heat_capacity_j_m_k * loaded_m)
    joint = links.node(thermal.joint.heat_capacity_j_k)
    funnel = links.node(thermal.funnel.heat_capacity_j_k, mouth_w_k4)
    growth = 1.0 + 2e-3 * insulation.layer_spacing_mm * (insulation.layer_count + 1) / diameter_m
    covers, areas = [], []
    for part, area_m2, emittance, width_m, widening in (
        (fibre, math.pi * diameter_m * loaded_m, thermal.fibre.emittance, diameter_m, growth),
        (joint, thermal.joint.area_m2, thermal.joint.emittance, math.inf, 1.0),
        (funnel, thermal.funnel.area_m2, thermal.funnel.emittance, math.inf, 1.0),
    ):
        if area_m2 > 0.0:
            outer_m2 = area_m2 * widening
            sent = STEFAN_BOLTZMANN_W_M2_K4 * insulation.cover_emittance * outer_m2
            covers.append(links.wrap(part, gaps(insulation, area_m2, emittance, width_m), sent))
            areas.append(outer_m2)
    links.links += [
        (funnel, joint, 0.0, thermal.joint.to_funnel_w_k),
        (joint, fibre, 0.0, thermal.joint.to_fibre_w_k),
    ]
    return UnitNetwork(
        network=links.network(),
        funnel=funnel,
        joint=joint,
        fibre=fibre,
        covers=tuple(covers),
        cover_areas_m2=tuple(areas),
        mouth_w_k4=mouth_w_k4,
    )


def heat_w(
    unit: UnitNetwork,
    thermal: Thermal,
    ground: Ground,
    around: Surroundings,
    light: AbsorbedLight,
    tilt_deg: float,
) -> FloatArray:
    """What reaches each node from outside in each row, (rows, nodes)."""
    insulation, view = thermal.insulation, thermal.ground_view
    ground_w_m2 = STEFAN_BOLTZMANN_W_M2_K4 * ground.emittance * around.ground_k**4
    sky_w_m2 = STEFAN_BOLTZMANN_W_M2_K4 * ground.sky_temperature_k**4
    height = np.maximum(np.sin(np.radians(around.sun_elevation_deg)), 0.0)
    sun_w_m2 = around.beam_w_m2 * (thermal.sunlit_fraction + ground.reflectance * height * view)
    cover_w_m2 = insulation.cover_absorptance * sun_w_m2 + insulation.cover_emittance * (
        view * ground_w_m2 + (1.0 - view) * sky_w_m2
    )
    heat = np.zeros((len(around.beam_w_m2), len(unit.network.capacity_j_k)))
    for node, area_m2 in zip(unit.covers, unit.cover_areas_m2, strict=True):
        heat[:, node] += area_m2 * cover_w_m2
    to_sky = 0.5 * (1.0 + math.cos(math.radians(tilt_deg)))
    seen_w_m2 = to_sky * sky_w_m2 + (1.0 - to_sky) * ground_w_m2
    heat[:, unit.funnel] += light.funnel_w + unit.mouth_w_k4 / STEFAN_BOLTZMANN_W_M2_K4 * seen_w_m2
    heat[:, unit.joint] += light.joint_w
    heat[:, unit.fibre] += light.fibre_w
    return heat


def unit_temperatures(
    unit: UnitNetwork, heat: FloatArray, row_s: float, repeated_rows: int
) -> UnitTemperatures:
    """Temperatures through the run under heat (rows, nodes); its first rows stand for the time before, too."""
    before = heat[:repeated_rows]
    halves = np.repeat(np.concatenate([before, heat]), 2, axis=0)
    start_k = unit.network.steady_k(before.mean(axis=0))
    found = unit.network.through_k(np.ascontiguousarray(halves), 0.5 * row_s, start_k)[2 * len(before) :: 2]
    cold, hot = (
        unit.network.steady_k(np.ascontiguousarray(ends)) for ends in (heat.min(axis=0), heat.max(axis=0))
    )
    nodes = dict(zip(PARTS, (unit.covers[0], unit.fibre, unit.joint, unit.funnel), strict=True))
    return UnitTemperatures(
        kelvin={part: found[:, node] for part, node in nodes.items()},
        cold_case_k={part: float(cold[node]) for part, node in nodes.items()},
        hot_case_k={part: float(hot[node]) for part, node in nodes.items()},
    )
