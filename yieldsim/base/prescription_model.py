"""The frozen nouns of a lens prescription: what a collector unit is made of. They know no file format.

Depth runs along the light, from the Sun into the collector; the lens's highest point is at depth 0. x is the
transverse axis, y the longitudinal one (along straight grooves and troughs). All widths are full widths, all
lengths metres.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal

import numpy as np

from yieldsim.base.constants import FACE_FLUX_LIMIT_W_CM2
from yieldsim.base.numerics.frozen_table import FrozenTable, frozen_array
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.ranges import Range

LensKind = Literal["fresnel", "linear_fresnel", "domed_fresnel", "plano_convex", "none"]
Section = Literal["round", "square", "trough"]
Side = Literal["in", "out"]


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class OpticalMaterial(FrozenTable):
    """Refractive index and absorption of a transparent material by wavelength: linear, held beyond the ends.

    index_known_nm, absorption_known_nm   the wavelengths that the data behind the table cover
    """

    columns = ("wavelength_nm", "refractive_index", "absorption_per_m")
    name: str
    wavelength_nm: FloatArray
    refractive_index: FloatArray
    absorption_per_m: FloatArray
    index_known_nm: tuple[float, float] = (0.0, float("inf"))
    absorption_known_nm: tuple[float, float] | None = (0.0, float("inf"))
    """None: no absorption data at all; the table holds zeros."""
    source: str = ""
    absorption_noise_per_m: float = 0.0
    """Absorption up to this could not be told from none: it counts as none, and may be there."""
    held_refractive_index: FloatArray | None = None
    """The index with its values at the ends of index_known_nm held beyond them, where a formula goes on in refractive_index."""
    service_limit_k: float | None = None
    """Temperature that the material bears for long; None where it is not known."""

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        FrozenTable.__post_init__(self)
        if self.held_refractive_index is not None:
            object.__setattr__(self, "held_refractive_index", frozen_array(self.held_refractive_index))

    def index_at(self, wavelength_nm: float | FloatArray) -> FloatArray:
        """Refractive index, held at the ends of the table."""
        return np.asarray(np.interp(wavelength_nm, self.wavelength_nm, self.refractive_index))

    def index_doubt_at(self, wavelength_nm: float | FloatArray) -> FloatArray:
        """How far the index differs from its value held at the end of the data: 0 within them."""
        if self.held_refractive_index is None:
            return np.zeros_like(np.asarray(wavelength_nm, dtype=np.float64))
        held = np.interp(wavelength_nm, self.wavelength_nm, self.held_refractive_index)
        return np.abs(self.index_at(wavelength_nm) - held)

    def absorption_at(self, wavelength_nm: float | FloatArray) -> FloatArray:
        """Absorption coefficient of the power, 1/m, held at the ends of the table."""
        return np.asarray(np.interp(wavelength_nm, self.wavelength_nm, self.absorption_per_m))


@dataclass(frozen=True, slots=True, kw_only=True)
class Coating:
    """Either a stated reflectance at normal incidence, or one layer of an index and a thickness."""

    reflectance: Annotated[float, Range(low=0.0, below=1.0)] | None = None
    layer_index: Annotated[float, Range(1.0, 4.0)] | None = None
    layer_thickness_nm: Annotated[float, Range(above=0.0, high=5000.0)] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """The film of a dust shield in front of everything.

    counted "collector": the acceptance leaves it out, for the collector's [shield] film_transmittance takes
    it; "here": the acceptance includes it. Heat and flux figures always include it.
    """

    transmittance: Annotated[float, Range(above=0.0, high=1.0)]
    counted: Literal["collector", "here"] = "collector"


@dataclass(frozen=True, slots=True, kw_only=True)
class Collar:
    """Mirrors that widen the collecting aperture: above the lens, or beside it and reaching below."""

    shape: Literal["flat", "conical", "parabolic"]
    section: Section
    mouth_width_m: Annotated[float, Range(above=0.0, high=100.0)]
    outlet_width_m: Annotated[float, Range(above=0.0, high=100.0)]
    height_m: Annotated[float, Range(above=0.0, high=100.0)]
    reflectance: Annotated[float, Range(above=0.0, high=1.0)]
    mouth_length_m: Annotated[float, Range(above=0.0, high=100.0)] | None = None
    """Along y, for a trough; its outlet is as long."""
    place: Literal["above", "beside"] = "above"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """The refracting front. `none` leaves the aperture open to the funnel."""

    kind: LensKind
    outline: Literal["round", "square", "rectangle"] = "round"
    width_m: Annotated[float, Range(above=0.0, high=100.0)] = 0.0
    """Diameter, side, or width across the grooves."""
    length_m: Annotated[float, Range(above=0.0, high=100.0)] = 0.0
    """Along the grooves, for a rectangle."""
    material: OpticalMaterial | None = None
    thickness_m: Annotated[float, Range(above=0.0, high=10.0)] = 0.0
    focal_length_m: Annotated[float, Range(above=0.0, high=100.0)] | None = None
    design_wavelength_nm: Annotated[float, Range(200.0, 5000.0)] = 600.0
    source_distance_m: Annotated[float, Range(above=0.0, high=1.0e15)] = float("inf")
    groove_count: Annotated[int, Range(1, 100_000, whole=True)] = 0
    """From the centre to the rim (to the corner of a square)."""
    groove_side: Side = "in"
    facet_angles_deg: tuple[float, ...] = ()
    """Given slopes from the centre outwards; empty: designed."""
    draft_deg: Annotated[float, Range(0.0, 45.0)] = 0.0
    tip_radius_m: Annotated[float, Range(0.0, 0.1)] = 0.0
    valley_radius_m: Annotated[float, Range(0.0, 0.1)] = 0.0
    dome_radius_m: Annotated[float, Range(above=0.0, high=1000.0)] = float("inf")
    curved_side: Side = "out"
    curvature_radius_m: Annotated[float, Range(above=0.0, high=1000.0)] = float("inf")
    conic_constant: Annotated[float, Range(-100.0, 100.0)] = 0.0
    front_coating: Coating | None = None
    back_coating: Coating | None = None

    @property
    def half_extent_m(self) -> float:
        """Largest distance of the outline from the axis, across the grooves where they are straight."""
        if self.outline == "round" or self.kind == "linear_fresnel":
            return self.width_m / 2.0
        length = self.width_m if self.outline == "square" else self.length_m
        return 0.5 * float(np.hypot(self.width_m, length))


@dataclass(frozen=True, slots=True, kw_only=True)
class Funnel:
    """The secondary: a solid body that guides by total internal reflection, or a hollow mirror."""

    kind: Literal["solid", "mirror"]
    shape: Literal["straight", "compound_parabolic"]
    section: Section
    mouth_width_m: Annotated[float, Range(above=0.0, high=100.0)]
    outlet_width_m: Annotated[float, Range(above=0.0, high=100.0)]
    length_m: Annotated[float, Range(above=0.0, high=100.0)]
    trough_length_m: Annotated[float, Range(above=0.0, high=100.0)] | None = None
    distance_m: Annotated[float, Range(low=0.0, high=1000.0)] = 0.0
    """From the lens's lower face, on the axis, to the mouth."""
    material: OpticalMaterial | None = None
    reflectance: Annotated[float, Range(above=0.0, high=1.0)] = 1.0
    mouth_coating: Coating | None = None
    outlet_coating: Coating | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FibreFace:
    """The face of the fibre, bundle or row of fibres behind the funnel (or the lens where there is none)."""

    section: Literal["round", "rectangle"]
    width_m: float
    length_m: float
    numerical_aperture: Annotated[float, Range(above=0.0, high=2.0)]
    packing: Annotated[float, Range(above=0.0, high=1.0)] = 1.0
    """Core share of the face: heat only; as a loss it belongs to the collector's [fibre]."""
    coupling: Literal["air_gap", "matched"] = "air_gap"
    core_index: Annotated[float, Range(1.0, 6.0)] = 1.4585
    gap_m: Annotated[float, Range(0.0, 10.0)] = 0.0
    distance_m: Annotated[float, Range(0.0, 1000.0)] = 0.0
    """From the lens's lower face to the fibre, where there is no funnel."""

    @property
    def area_m2(self) -> float:
        """Area of the face."""
        if self.section == "round":
            return float(np.pi * self.width_m**2 / 4.0)
        return self.width_m * self.length_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerances:
    """Standard deviations over the units built: each ray meets its own draw; the result is the mean unit."""

    funnel_lateral_m: float = 0.0
    funnel_axial_m: float = 0.0
    lens_slope_mrad: Annotated[float, Range(0.0, 100.0)] = 0.0
    mirror_slope_mrad: Annotated[float, Range(0.0, 100.0)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Heat:
    """Surroundings and insulation of the parts, for their steady temperatures at normal incidence.

    A limit of None is the material's own.
    """

    sun_distance_au: Annotated[float, Range(0.01, 100.0)] = 1.0
    sky_temperature_k: Annotated[float, Range(0.0, 5000.0)] = 3.0
    ground_temperature_k: Annotated[float, Range(0.0, 5000.0)] = 250.0
    ground_view: Annotated[float, Range(0.0, 1.0)] = 0.5
    """Share of what the lens's front sees that is ground."""
    housing_temperature_k: Annotated[float, Range(0.0, 5000.0)] = 250.0
    """Of the walls around funnel and fibre, and where the cable leads."""
    insulation_emittance: Annotated[float, Range(above=0.0, high=1.0)] = 0.02
    """Effective emittance of the multilayer insulation around funnel and fibre end."""
    lens_emittance: Annotated[float, Range(above=0.0, high=1.0)] = 0.85
    lens_limit_k: Annotated[float, Range(above=0.0, high=5000.0)] | None = None
    funnel_emittance: Annotated[float, Range(above=0.0, high=1.0)] = 0.85
    funnel_limit_k: Annotated[float, Range(above=0.0, high=5000.0)] | None = None
    fibre_emittance: Annotated[float, Range(above=0.0, high=1.0)] = 0.85
    fibre_limit_k: Annotated[float, Range(above=0.0, high=5000.0)] = 400.0
    ferrule_area_m2: Annotated[float, Range(above=0.0, high=100.0)] | None = None
    """Insulated surface around the fibre's end; None: a cylinder three face widths long."""
    cable_conductance_w_k: Annotated[float, Range(0.0, 1000.0)] = 0.0
    """Heat that the cable and mount lead away from the fibre's end, per kelvin above the housing."""
    face_absorptance: Annotated[float, Range(0.0, 1.0)] = 0.02
    """Share of the light in the fibre's cone that its end turns to heat."""
    face_flux_limit_w_cm2: Annotated[float, Range(above=0.0, high=1.0e6)] = FACE_FLUX_LIMIT_W_CM2


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """The wavelengths that are traced; sunlight outside them counts as lost."""

    shortest_nm: Annotated[float, Range(150.0, 10_000.0)] = 250.0
    longest_nm: Annotated[float, Range(200.0, 20_000.0)] = 4000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Prescription:
    """One collector unit, from the dust-shield film to the fibre's face."""

    name: str
    lens: Lens
    fibre: FibreFace
    funnel: Funnel | None = None
    collar: Collar | None = None
    film: Film | None = None
    tolerances: Tolerances = field(default_factory=Tolerances)
    band: Band = field(default_factory=Band)
    heat: Heat = field(default_factory=Heat)

    @property
    def is_linear(self) -> bool:
        """Whether acceptance needs two angles: straight grooves or a trough."""
        return self.lens.kind == "linear_fresnel" or (
            self.lens.kind == "none" and self.funnel is not None and self.funnel.section == "trough"
        )

    @property
    def is_symmetric(self) -> bool:
        """Whether every part is round, so that the azimuth of the incidence does not matter."""
        round_lens = self.lens.kind == "none" or self.lens.outline == "round"
        sections = [part.section for part in (self.collar, self.funnel) if part is not None]
        return (
            not self.is_linear
            and round_lens
            and all(section == "round" for section in sections)
            and self.fibre.section == "round"
        )

    @property
    def aperture_size_m(self) -> tuple[float, float, bool]:
        """Width, length and roundness of the aperture: mouth of the collar, else lens, else funnel, else
        fibre."""
        if self.collar is not None:
            part: Collar | Funnel = self.collar
            length = self.collar.mouth_length_m
        elif self.lens.kind != "none":
            width = self.lens.width_m
            if self.lens.outline == "rectangle":
                return width, self.lens.length_m, False
            return width, width, self.lens.outline == "round"
        elif self.funnel is not None:
            part, length = self.funnel, self.funnel.trough_length_m
        else:
            return self.fibre.width_m, self.fibre.length_m, self.fibre.section == "round"
        return part.mouth_width_m, length or part.mouth_width_m, part.section == "round"

    @property
    def aperture_area_m2(self) -> float:
        """Area of the aperture."""
        width, length, is_round = self.aperture_size_m
        return width * length * (np.pi / 4.0 if is_round else 1.0)
