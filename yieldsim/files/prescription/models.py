"""The tables of a prescription file, each with its own checks; `files.prescription.read` puts them together.

All widths are full widths: a diameter where the section is round, a side where it is square, the width
across the grooves or the trough otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from yieldsim.base.prescription_model import Band, Collar, FibreFace, Film, Funnel, Heat, Lens, Tolerances
from yieldsim.files.prescription.material_table import CoatingTable
from yieldsim.files.toml.model import Faults, StrictModel, Text, exactly_one, fault, stated, within

MOST_GROOVES = 100_000
Length = Annotated[float, within(above=0.0, high=100.0)]


def number_in(given: Mapping[str, Any] | None, key: str) -> float | None:
    """A number of a raw table, None where it is missing or no finite number: for checks between keys."""
    value = given.get(key) if isinstance(given, Mapping) else None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if abs(value) < 1e12 else None


class FilmTable(StrictModel):
    """[film]: the dust shield's film in front of everything."""

    transmittance: Annotated[float, stated(Film, "transmittance")]
    counted: Literal["collector", "here"] = "collector"

    def noun(self) -> Film:
        """The frozen film."""
        return self.made(Film)


class CollarTable(StrictModel):
    """[collar]: mirrors that widen the collecting aperture."""

    shape: Literal["flat", "conical", "parabolic"]
    place: Literal["above", "beside"] = "above"
    section: Literal["round", "square", "trough"] | None = None
    mouth_width_m: Annotated[float, stated(Collar, "mouth_width_m")]
    mouth_length_m: Annotated[float, stated(Collar, "mouth_length_m")] | None = None
    outlet_width_m: Annotated[float, stated(Collar, "outlet_width_m")] | None = None
    height_m: Annotated[float, stated(Collar, "height_m")]
    reflectance: Annotated[float, stated(Collar, "reflectance")]

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """The mouth is the wide end; shapes and sections that go together."""
        mouth, outlet = number_in(given, "mouth_width_m"), number_in(given, "outlet_width_m")
        if mouth is not None and outlet is not None and outlet >= mouth:
            yield fault("outlet_width_m", f"is {outlet:g}", f"less than mouth_width_m, {mouth:g}")
        shape, section = given.get("shape"), given.get("section")
        if shape == "conical" and section not in (None, "round"):
            yield fault("section", f'is "{section}"', '"round", for conical mirrors')
        if shape == "flat" and section == "round":
            allowed = '"square" or "trough", for flat mirrors'
            yield fault("section", 'is "round"', allowed, "conical is the round one")
        focused = shape == "parabolic" and given.get("place") == "beside"
        if focused and "outlet_width_m" in given:
            hint = "the parabola is focused on what stands behind the lens, which fixes it"
            yield fault("outlet_width_m", "stands here", hint=hint)
        if given.get("place") == "beside" and not focused and "outlet_width_m" not in given:
            hint = "how wide are the mirrors where they end below the lens?"
            yield fault("outlet_width_m", "is missing", hint=hint)


class LensTable(StrictModel):
    """[lens]: the refracting front."""

    kind: Literal["fresnel", "linear_fresnel", "domed_fresnel", "plano_convex", "none"]
    outline: Literal["round", "square", "rectangle"] | None = None
    width_m: Annotated[float, stated(Lens, "width_m")] | None = None
    length_m: Annotated[float, stated(Lens, "length_m")] | None = None
    material: Text | None = None
    thickness_m: Annotated[float, stated(Lens, "thickness_m")] | None = None
    focal_length_m: Annotated[float, stated(Lens, "focal_length_m")] | None = None
    source_distance_m: Annotated[float, stated(Lens, "source_distance_m")] | None = None
    design_wavelength_nm: Annotated[float, stated(Lens, "design_wavelength_nm")] = 600.0
    groove_count: Annotated[int, stated(Lens, "groove_count")] | None = None
    groove_pitch_m: Length | None = None
    groove_side: Literal["in", "out"] = "in"
    facet_angles_deg: list[float] | None = None
    draft_deg: Annotated[float, stated(Lens, "draft_deg")] = 0.0
    tip_radius_m: Annotated[float, stated(Lens, "tip_radius_m")] = 0.0
    valley_radius_m: Annotated[float, stated(Lens, "valley_radius_m")] = 0.0
    dome_radius_m: Annotated[float, stated(Lens, "dome_radius_m")] | None = None
    curved_side: Literal["in", "out"] = "out"
    curvature_radius_m: Annotated[float, stated(Lens, "curvature_radius_m")] | None = None
    conic_constant: Annotated[float, stated(Lens, "conic_constant")] = 0.0
    front_coating: CoatingTable | None = None
    back_coating: CoatingTable | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """What each kind of lens needs and what it has no use for."""
        kind, outline = given.get("kind"), given.get("outline")
        if kind == "none":
            for key in given:
                if key in cls.model_fields and key != "kind":
                    yield fault(key, "stands here", hint='kind = "none" has no use for it')
        if kind not in ("fresnel", "linear_fresnel", "domed_fresnel", "plano_convex"):
            return
        needed = ["width_m", "material", "thickness_m"]
        needed += {"linear_fresnel": ["length_m"], "domed_fresnel": ["dome_radius_m"]}.get(kind, [])
        for key in needed:
            if key not in given:
                yield fault(key, "is missing", hint=f'kind = "{kind}" needs it')
        grooved, long = kind != "plano_convex", kind == "linear_fresnel" or outline == "rectangle"
        if outline == "rectangle" and kind == "fresnel" and "length_m" not in given:
            yield fault("length_m", "is missing", hint='outline = "rectangle" needs it')
        foreign = ["curvature_radius_m", "conic_constant", "curved_side"] if grooved else [*_GROOVE_KEYS]
        foreign += [] if kind == "domed_fresnel" else ["dome_radius_m"]
        for key in foreign:
            if key in given:
                yield fault(key, "stands here", hint=f'kind = "{kind}" has no use for it')
        if "length_m" in given and not long:
            hint = 'only straight grooves and outline = "rectangle" have a length'
            yield fault("length_m", "stands here", hint=hint)
        if grooved:
            yield from _grooves(given)
        else:
            yield from exactly_one(given, "focal_length_m", "curvature_radius_m")
        if kind == "linear_fresnel" and outline not in (None, "rectangle"):
            yield fault("outline", f'is "{outline}"', '"rectangle", for straight grooves')
        if kind in ("domed_fresnel", "plano_convex") and outline not in (None, "round"):
            yield fault("outline", f'is "{outline}"', f'"round", for kind = "{kind}"')


_GROOVE_KEYS = (
    "groove_count", "groove_pitch_m", "facet_angles_deg", "draft_deg", "tip_radius_m", "valley_radius_m", "groove_side",
    "source_distance_m",
)  # fmt: skip


def _grooves(given: Mapping[str, Any]) -> Faults:
    """How many grooves, and slopes that are given or designed."""
    yield from exactly_one(given, "groove_count", "groove_pitch_m", "facet_angles_deg")
    slopes = given.get("facet_angles_deg")
    if slopes is None and "focal_length_m" not in given:
        hint = "facets are designed for it, or give facet_angles_deg"
        yield fault("focal_length_m", "is missing", hint=hint)
    if isinstance(slopes, list):
        bad = [
            s for s in slopes if isinstance(s, bool) or not isinstance(s, int | float) or not 0.0 <= s < 85.0
        ]
        if not slopes or bad:
            found = f"holds {bad[0]}" if bad else "is empty"
            yield fault("facet_angles_deg", found, "slopes from 0 to below 85, from the centre outwards")
    width, pitch = number_in(given, "width_m"), number_in(given, "groove_pitch_m")
    count = number_in(given, "groove_count")
    if pitch is None and width is not None and count:
        pitch = width / 2.0 / count
    if pitch is not None and width is not None and pitch > width / 2.0:
        yield fault("groove_pitch_m", f"is {pitch:g}", f"at most half the lens's width, {width / 2.0:g}")
    if pitch is not None and width is not None and 0.0 < pitch < width / 2.0 / MOST_GROOVES:
        allowed = f"{width / 2.0 / MOST_GROOVES:.3g} or more, {MOST_GROOVES} grooves across half the lens"
        yield fault("groove_pitch_m", f"is {pitch:g}", allowed)
    rounding = (number_in(given, "tip_radius_m") or 0.0) + (number_in(given, "valley_radius_m") or 0.0)
    if pitch is not None and pitch > 0.0 and rounding >= pitch:
        found = f"and valley_radius_m make {rounding:.3g} in a groove {pitch:.3g} wide"
        yield fault(
            "tip_radius_m", found, hint="nothing of the facet is left; fewer grooves or sharper tools"
        )


class FunnelTable(StrictModel):
    """[funnel]: the secondary concentrator."""

    kind: Literal["solid", "mirror"]
    shape: Literal["straight", "compound_parabolic"]
    section: Literal["round", "square", "trough"] = "round"
    mouth_width_m: Annotated[float, stated(Funnel, "mouth_width_m")]
    outlet_width_m: Annotated[float, stated(Funnel, "outlet_width_m")]
    length_m: Annotated[float, stated(Funnel, "length_m")]
    trough_length_m: Annotated[float, stated(Funnel, "trough_length_m")] | None = None
    distance_m: Annotated[float, stated(Funnel, "distance_m")] | None = None
    material: Text | None = None
    reflectance: Annotated[float, stated(Funnel, "reflectance")] | None = None
    mouth_coating: CoatingTable | None = None
    outlet_coating: CoatingTable | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """A body or a mirror; the mouth is the wide end; a compound parabola's length has limits."""
        kind = given.get("kind")
        need, foreign = ("material", "reflectance") if kind == "solid" else ("reflectance", "material")
        if kind in ("solid", "mirror"):
            if need not in given:
                yield fault(need, "is missing", hint=f'kind = "{kind}" needs it')
            for key in (foreign, *(("mouth_coating", "outlet_coating") if kind == "mirror" else ())):
                if key in given:
                    yield fault(key, "stands here", hint=f'kind = "{kind}" has no use for it')
        mouth, outlet = number_in(given, "mouth_width_m"), number_in(given, "outlet_width_m")
        if mouth is None or outlet is None or mouth <= 0.0 or outlet <= 0.0:
            return
        parabolic = given.get("shape") == "compound_parabolic"
        if outlet > mouth or (parabolic and outlet == mouth):
            yield fault("outlet_width_m", f"is {outlet:g}", f"less than mouth_width_m, {mouth:g}")
            return
        length = number_in(given, "length_m")
        if parabolic and length is not None and length > 0.0:
            longest = (mouth + outlet) / 2.0 * ((mouth / outlet) ** 2 - 1.0) ** 0.5
            shortest = (mouth + 3.0 * outlet) * (mouth - outlet) / (8.0 * outlet)
            if not shortest <= length <= longest * (1.0 + 1e-9):
                allowed = f"{shortest:.4g} to {longest:.4g} (the full compound parabola) between these widths"
                yield fault("length_m", f"is {length:g}", allowed)


class FibreTable(StrictModel):
    """[fibre]: the face that the light must enter, and its cone."""

    face_diameter_mm: Annotated[float, within(above=0.0, high=10_000.0)] | None = None
    face_width_mm: Annotated[float, within(above=0.0, high=10_000.0)] | None = None
    face_length_mm: Annotated[float, within(above=0.0, high=100_000.0)] | None = None
    numerical_aperture: Annotated[float, stated(FibreFace, "numerical_aperture")]
    packing: Annotated[float, stated(FibreFace, "packing")] = 1.0
    coupling: Literal["air_gap", "matched"] = "air_gap"
    core_index: Annotated[float, stated(FibreFace, "core_index")] = 1.4585
    gap_m: Annotated[float, stated(FibreFace, "gap_m")] = 0.0
    distance_m: Annotated[float, stated(FibreFace, "distance_m")] | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """A round face or a rectangle; no gap where the indices are matched."""
        yield from exactly_one(given, "face_diameter_mm", "face_width_mm")
        if "face_width_mm" in given and "face_length_mm" not in given:
            yield fault("face_length_mm", "is missing", hint="it goes with face_width_mm")
        gap = number_in(given, "gap_m")
        if given.get("coupling") == "matched" and gap is not None and gap > 0.0:
            yield fault("gap_m", f"is {gap:g}", '0 with coupling = "matched"')
        aperture = number_in(given, "numerical_aperture")
        core = number_in({"core_index": cls.model_fields["core_index"].default, **given}, "core_index")
        if (
            aperture is None or core is None or aperture > 2.0
        ):  # beyond any medium it is refused for its range
            return
        if given.get("coupling") == "matched" and aperture > core:
            yield fault("numerical_aperture", f"is {aperture:g}", f"at most core_index, {core:g}")
        elif given.get("coupling") != "matched" and aperture > 1.0:
            hint = "no light comes in from vacuum at more than 90 deg"
            yield fault("numerical_aperture", f"is {aperture:g}", "at most 1 behind an air gap", hint)


class TolerancesTable(StrictModel):
    """[tolerances]: standard deviations over the units built."""

    funnel_lateral_mm: Annotated[float, within(0.0, 1000.0)] = 0.0
    funnel_axial_mm: Annotated[float, within(0.0, 1000.0)] = 0.0
    lens_slope_mrad: Annotated[float, stated(Tolerances, "lens_slope_mrad")] = 0.0
    mirror_slope_mrad: Annotated[float, stated(Tolerances, "mirror_slope_mrad")] = 0.0

    def noun(self) -> Tolerances:
        """The frozen tolerances."""
        lateral, axial = self.funnel_lateral_mm, self.funnel_axial_mm
        return self.made(Tolerances, funnel_lateral_m=lateral / 1000.0, funnel_axial_m=axial / 1000.0)


class BandTable(StrictModel):
    """[band]: the wavelengths traced; sunlight outside them counts as lost."""

    shortest_nm: Annotated[float, stated(Band, "shortest_nm")] = 250.0
    longest_nm: Annotated[float, stated(Band, "longest_nm")] = 4000.0

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """The ends in order."""
        low = number_in({"shortest_nm": 250.0, **given}, "shortest_nm")
        high = number_in({"longest_nm": 4000.0, **given}, "longest_nm")
        if low is not None and high is not None and low >= high:
            yield fault("longest_nm", f"is {high:g}", f"more than shortest_nm, {low:g}")

    def noun(self) -> Band:
        """The frozen band."""
        return self.made(Band)


_HEAT = Heat()


class HeatTable(StrictModel):
    """[heat]: surroundings, insulation and what the parts can bear."""

    sun_distance_au: Annotated[float, stated(Heat, "sun_distance_au")] = _HEAT.sun_distance_au
    sky_temperature_k: Annotated[float, stated(Heat, "sky_temperature_k")] = _HEAT.sky_temperature_k
    ground_temperature_k: Annotated[float, stated(Heat, "ground_temperature_k")] = _HEAT.ground_temperature_k
    ground_view: Annotated[float, stated(Heat, "ground_view")] = _HEAT.ground_view
    housing_temperature_k: Annotated[float, stated(Heat, "housing_temperature_k")] = (
        _HEAT.housing_temperature_k
    )
    insulation_emittance: Annotated[float, stated(Heat, "insulation_emittance")] = _HEAT.insulation_emittance
    lens_emittance: Annotated[float, stated(Heat, "lens_emittance")] = _HEAT.lens_emittance
    lens_limit_k: Annotated[float, stated(Heat, "lens_limit_k")] | None = None
    funnel_emittance: Annotated[float, stated(Heat, "funnel_emittance")] = _HEAT.funnel_emittance
    funnel_limit_k: Annotated[float, stated(Heat, "funnel_limit_k")] | None = None
    fibre_emittance: Annotated[float, stated(Heat, "fibre_emittance")] = _HEAT.fibre_emittance
    fibre_limit_k: Annotated[float, stated(Heat, "fibre_limit_k")] = _HEAT.fibre_limit_k
    ferrule_area_m2: Annotated[float, stated(Heat, "ferrule_area_m2")] | None = None
    cable_conductance_w_k: Annotated[float, stated(Heat, "cable_conductance_w_k")] = (
        _HEAT.cable_conductance_w_k
    )
    face_absorptance: Annotated[float, stated(Heat, "face_absorptance")] = _HEAT.face_absorptance
    face_flux_limit_w_cm2: Annotated[float, stated(Heat, "face_flux_limit_w_cm2")] = (
        _HEAT.face_flux_limit_w_cm2
    )

    def noun(self) -> Heat:
        """The frozen surroundings."""
        return self.made(Heat)
