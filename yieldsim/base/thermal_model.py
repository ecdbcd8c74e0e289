"""The frozen nouns of heat: the ground that a unit stands on, insulation, and the parts inside it. Lengths say their unit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from yieldsim.base.numerics.frozen_table import FrozenTable
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.ranges import Range

Kelvin = Annotated[float, Range(above=0.0, high=5000.0)]
Conductance = Annotated[float, Range(0.0, 1.0e4)]
Emittance = Annotated[float, Range(above=0.0, high=1.0)]
BROADSIDE = 1.0 / math.pi
"""What a round cable shows to a Sun that stands square to it, over its whole surface: d l / (pi d l)."""


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class GroundTable(FrozenTable):
    """Temperature of the ground by local true solar time, linear between rows, periodic."""

    columns = ("local_true_solar_time_hours", "temperature_k")
    local_true_solar_time_hours: Annotated[FloatArray, Range(0.0, 24.0, increases=True)]
    temperature_k: Annotated[FloatArray, Range(above=0.0, high=5000.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """The ground around a site: how warm it is and what of sunlight it sends back.

    temperature     a number for all times, a table, or None: layers of regolith under the site's own Sun
    reflectance     share of sunlight that the ground reflects, Sun overhead
    scale_depth_m   of regolith alone: depth over which density and conductivity grow to their deep values
    """

    temperature: Kelvin | GroundTable | None = None
    reflectance: Annotated[float, Range(low=0.0, below=1.0)] = 0.12
    emittance: Emittance = 0.95
    scale_depth_m: Annotated[float, Range(above=0.0, high=10.0)] = 0.06
    sky_temperature_k: Annotated[float, Range(0.0, 5000.0)] = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Insulation:
    """Radiation shields between a part and an outer cover, the same around every part.

    inner_emittance, outer_emittance   of each shield's face towards the part and towards the cover
    cover_inner_emittance              of the cover's face towards the shields; None: inner_emittance
    conductance_w_m2_k                 between neighbouring layers: spacers, gas
    layer_spacing_mm                   from layer to layer: shields of a fibre grow outwards
    seams_emittance                    added to the effective emittance by seams, cuts and supports
    cover_absorptance                  share of sunlight that the cover's outer face takes
    cover_emittance                    of that face
    """

    layer_count: Annotated[int, Range(0, 200, whole=True)]
    inner_emittance: Emittance = 0.03
    outer_emittance: Emittance = 0.03
    cover_inner_emittance: Emittance | None = None
    conductance_w_m2_k: Conductance = 0.0
    layer_spacing_mm: Annotated[float, Range(0.0, 1000.0)] = 0.0
    seams_emittance: Annotated[float, Range(0.0, 1.0)] = 0.0
    cover_absorptance: Annotated[float, Range(0.0, 1.0)]
    cover_emittance: Emittance
    cover_lowest_k: Kelvin | None = None
    cover_highest_k: Kelvin | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FibreHeat:
    """The cable inside its insulation: width over the jacket, the jacket's emittance, heat capacity of a metre, limits."""

    diameter_mm: Annotated[float, Range(above=0.0, high=10_000.0)]
    emittance: Emittance = 0.85
    heat_capacity_j_m_k: Annotated[float, Range(above=0.0, high=1.0e9)]
    lowest_k: Kelvin | None = None
    highest_k: Kelvin | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FunnelHeat:
    """The funnel: insulated back, open mouth.

    area_m2             of its back, under the insulation
    emittance           of its back
    mouth_area_m2       None: the aperture's
    mouth_emittance     effective, of the mouth towards sky and ground, the lens before it counted in
    absorbed_fraction   share of the light through the aperture that the funnel turns to heat
    """

    area_m2: Annotated[float, Range(above=0.0, high=1.0e4)]
    emittance: Emittance = 0.85
    mouth_area_m2: Annotated[float, Range(0.0, 1.0e4)] | None = None
    mouth_emittance: Annotated[float, Range(0.0, 1.0)] = 0.8
    absorbed_fraction: Annotated[float, Range(0.0, 1.0)]
    heat_capacity_j_k: Annotated[float, Range(above=0.0, high=1.0e9)]
    lowest_k: Kelvin | None = None
    highest_k: Kelvin | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JointHeat:
    """Where funnel and fibre meet: ferrule, glue, gel.

    area_m2             under the insulation
    absorbed_fraction   share of the light lost by packing and coupling that turns to heat here
    to_funnel_w_k, to_fibre_w_k   conductance to its neighbours
    gel_lowest_k, gel_highest_k   limits of an index-matching gel in it
    """

    area_m2: Annotated[float, Range(0.0, 1.0e4)] = 0.0
    emittance: Emittance = 0.85
    absorbed_fraction: Annotated[float, Range(0.0, 1.0)] = 1.0
    to_funnel_w_k: Conductance
    to_fibre_w_k: Conductance
    heat_capacity_j_k: Annotated[float, Range(above=0.0, high=1.0e9)]
    lowest_k: Kelvin | None = None
    highest_k: Kelvin | None = None
    gel_lowest_k: Kelvin | None = None
    gel_highest_k: Kelvin | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermal:
    """What the temperatures of a unit follow from.

    sunlit_fraction   what a cover shows to the Sun over its whole surface
    ground_view       share of what a cover sees that is ground
    """

    insulation: Insulation
    fibre: FibreHeat
    funnel: FunnelHeat
    joint: JointHeat
    sunlit_fraction: Annotated[float, Range(0.0, 1.0)] = BROADSIDE
    ground_view: Annotated[float, Range(0.0, 1.0)] = 0.5
