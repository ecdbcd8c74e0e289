"""From a prescription to the arrays that the tracer's kernels read: every part placed, every groove
designed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from yieldsim.base.errors import Problem, refuse
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.prescription_model import Coating, Collar, Funnel, Lens, OpticalMaterial, Prescription
from yieldsim.optics.fresnel import BARE, LAYER, STATED
from yieldsim.optics.raytrace import grooves
from yieldsim.optics.raytrace.funnel_walls import WALL, solve_axis_angle
from yieldsim.optics.raytrace.ray_through_collector import STATION, Parts, Records
from yieldsim.optics.raytrace.ray_through_lens import FRESNEL, LENS, NONE, PLANO_CONVEX
from yieldsim.optics.raytrace.sampling import equal_energy_wavelengths


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """A collector as the kernels read it.

    media             (wavelengths, 5): wavelength nm, index and absorption of the lens, of the funnel
    facet_slope_deg   (n,) slopes from the centre outwards, empty for a smooth lens
    """

    parts: Parts
    media: FloatArray
    facet_slope_deg: FloatArray

    @property
    def aperture_area_m2(self) -> float:
        """Area of the plane where light enters."""
        station = self.parts.station[0]
        area = 4.0 * float(station["aperture_x"]) * float(station["aperture_y"])
        return area * math.pi / 4.0 if station["aperture_round"] else area

    @property
    def face_area_m2(self) -> float:
        """Area of the fibre's face."""
        station = self.parts.station[0]
        area = 4.0 * float(station["face_x"]) * float(station["face_y"])
        return area * math.pi / 4.0 if station["face_round"] else area


def build_scene(prescription: Prescription) -> Scene:
    """Place and design everything. Raises InputError where a groove or a parabolic wall can't exist."""
    problems: list[Problem] = []
    lens, table, slopes = _lens_record(prescription.lens, prescription, problems)
    rim = rim_depth_m(prescription.lens)
    collar = np.zeros(1, WALL)
    station = np.zeros(1, STATION)
    aperture_depth = rim
    if prescription.collar is not None:
        part = prescription.collar
        above = part.place == "above"
        top = rim - part.height_m if above else 0.0
        behind = prescription.funnel or prescription.fibre
        target = prescription.lens.thickness_m + behind.distance_m
        _wall(collar, part, top, part.height_m, problems, "collar", part.mouth_length_m, target)
        station["collar_place"] = 1 if above else 2
        aperture_depth = top
    funnel = np.zeros(1, WALL)
    fibre = prescription.fibre
    lower = prescription.lens.thickness_m if prescription.lens.kind != "none" else 0.0
    mouth_depth = lower + fibre.distance_m
    if prescription.funnel is not None:
        tube = prescription.funnel
        mouth_depth = lower + tube.distance_m
        _wall(funnel, tube, mouth_depth, tube.length_m, problems, "funnel", tube.trough_length_m)
        station["has_funnel"] = 1
        _face(station["mouth"], tube.mouth_coating)
        _face(station["outlet"], tube.outlet_coating if fibre.coupling == "air_gap" else None)
    refuse(problems)
    mirrors = prescription.tolerances.mirror_slope_mrad * 1e-3
    collar["slope_error"] = mirrors
    funnel["slope_error"] = 0.0 if prescription.funnel and prescription.funnel.kind == "solid" else mirrors
    station["mouth_depth"] = mouth_depth
    station["matched"] = fibre.coupling == "matched"
    station["core_index"] = fibre.core_index
    station["gap"] = fibre.gap_m
    station["face_round"] = fibre.section == "round"
    station["face_x"], station["face_y"] = fibre.width_m / 2.0, fibre.length_m / 2.0
    station["numerical_aperture"] = fibre.numerical_aperture
    station["lateral"] = prescription.tolerances.funnel_lateral_m
    station["axial"] = prescription.tolerances.funnel_axial_m
    station["aperture_depth"] = aperture_depth
    width, length, is_round = prescription.aperture_size_m
    station["aperture_x"], station["aperture_y"], station["aperture_round"] = (
        width / 2.0,
        length / 2.0,
        is_round,
    )
    wavelengths, share = equal_energy_wavelengths(prescription.band.shortest_nm, prescription.band.longest_nm)
    station["band_share"] = share
    return Scene(Parts(lens, table, collar, funnel, station), media_of(prescription, wavelengths), slopes)


def media_of(prescription: Prescription, wavelengths: FloatArray) -> FloatArray:
    """Rows (wavelengths, 5) of what lens and funnel are at each wavelength, as `Scene.media`."""
    media = np.ones((len(wavelengths), 5))
    media[:, 0] = wavelengths
    media[:, 1], media[:, 2] = _medium(prescription.lens.material, wavelengths)
    tube_material = prescription.funnel.material if prescription.funnel is not None else None
    media[:, 3], media[:, 4] = _medium(tube_material, wavelengths)
    return media


def rim_depth_m(lens: Lens) -> float:
    """Depth of the lens's rim below its highest point: the plane of its aperture."""
    half = lens.half_extent_m
    if lens.kind == "domed_fresnel":
        return lens.dome_radius_m - math.sqrt(lens.dome_radius_m**2 - half**2)
    if lens.kind == "plano_convex" and lens.curved_side == "out":
        return conic_sag_m(half, lens.curvature_radius_m, lens.conic_constant)
    return 0.0


def conic_sag_m(radius: float, curvature_radius: float, conic: float) -> float:
    """Height of a conic of revolution at a distance from its axis: c r^2 / (1 + sqrt(1 - (1 + k) c^2
    r^2))."""
    c = 1.0 / curvature_radius
    return c * radius**2 / (1.0 + math.sqrt(max(0.0, 1.0 - (1.0 + conic) * (c * radius) ** 2)))


def _medium(material: OpticalMaterial | None, wavelengths: FloatArray) -> tuple[FloatArray, FloatArray]:
    if material is None:
        return np.ones_like(wavelengths), np.zeros_like(wavelengths)
    return material.index_at(wavelengths), material.absorption_at(wavelengths)


def _face(record: Records, coating: Coating | None) -> None:
    if coating is None:
        record["kind"] = BARE
    elif coating.reflectance is not None:
        record["kind"], record["first"] = STATED, coating.reflectance
    else:
        record["kind"], record["first"], record["second"] = (
            LAYER,
            coating.layer_index,
            coating.layer_thickness_nm,
        )


def _lens_record(
    lens: Lens, prescription: Prescription, problems: list[Problem]
) -> tuple[Records, FloatArray, FloatArray]:
    record = np.zeros(1, LENS)
    table, slopes = np.zeros((1, 9)), np.empty(0)
    record["half_x"] = lens.width_m / 2.0
    record["half_y"] = (lens.length_m if lens.outline == "rectangle" else lens.width_m) / 2.0
    record["is_round"] = lens.outline == "round"
    record["linear"] = lens.kind == "linear_fresnel"
    record["thickness"] = lens.thickness_m
    record["slope_error"] = prescription.tolerances.lens_slope_mrad * 1e-3
    _face(record["front"], lens.front_coating)
    _face(record["back"], lens.back_coating)
    record["pitch"] = record["step"] = 1.0
    if lens.kind == "none":
        record["kind"] = NONE
        return record, table, slopes
    if lens.kind == "plano_convex":
        record["kind"] = PLANO_CONVEX
        record["side_out"] = lens.curved_side == "out"
        record["curvature_radius"], record["conic"] = lens.curvature_radius_m, lens.conic_constant
        return record, table, slopes
    record["kind"] = FRESNEL
    record["side_out"] = lens.groove_side == "out"
    record["domed"] = lens.kind == "domed_fresnel"
    record["dome_radius"] = lens.dome_radius_m if lens.kind == "domed_fresnel" else 0.0
    record["tan_draft"] = math.tan(math.radians(lens.draft_deg))
    slopes = _facets(lens, problems)
    if np.isfinite(slopes).all():
        table = grooves.groove_table(lens, slopes)
        record["step"] = grooves.groove_step(lens, len(slopes))
        record["pitch"] = grooves.groove_pitch_m(lens, len(slopes))
        record["deepest"] = table[:, grooves.HEIGHT].max()
        pitch_nm = 1e9 * float(record["pitch"][0])
        if pitch_nm < lens.design_wavelength_nm:
            problems.append(
                Problem(
                    prescription.name,
                    "[lens] groove_count",
                    f"is {len(slopes)}: grooves {pitch_nm:.3g} nm wide are narrower than the wavelength of the light",
                    hint="rays know no diffraction: fewer grooves, or a wider lens",
                )
            )
        if record["deepest"][0] >= lens.thickness_m:
            problems.append(
                Problem(
                    prescription.name,
                    "[lens] thickness_m",
                    f"is {lens.thickness_m:g}, but the grooves are {float(record['deepest'][0]):.3g} m deep",
                    hint="a thicker lens, or more grooves",
                )
            )
    return record, table, slopes


def _facets(lens: Lens, problems: list[Problem]) -> FloatArray:
    """Given or designed slopes; an impossible one becomes a problem naming the groove."""
    if lens.facet_angles_deg:
        return np.array(lens.facet_angles_deg)
    assert lens.material is not None  # the readers see to it
    index = float(lens.material.index_at(lens.design_wavelength_nm))
    facets = grooves.design_facets(lens, index)
    bad = np.flatnonzero(~np.isfinite(facets.slope_deg))
    if bad.size:
        first = int(bad[0])
        radius = (first + 0.5) * grooves.groove_pitch_m(lens, lens.groove_count)
        limit = ""
        if lens.groove_side == "in" and math.isinf(lens.dome_radius_m):
            most = grooves.largest_turn_in_deg(index)
            limit = f"at most {most:.1f} deg at index {index:.4f}, where facets start to reflect"
        problems.append(
            Problem(
                "",
                "[lens] focal_length_m",
                f"is {lens.focal_length_m:g}: groove {first + 1} of {lens.groove_count}, {radius:.3g} m from "
                f"the axis, would have to turn light by {facets.turn_deg[first]:.1f} deg",
                limit,
                "a longer focal length, a narrower lens or grooves facing out",
            )
        )
    return facets.slope_deg


def _wall(
    record: Records,
    part: Collar | Funnel,
    top: float,
    length: float,
    problems: list[Problem],
    name: str,
    trough_length: float | None,
    focus_depth: float = 0.0,
) -> None:
    mouth, outlet = part.mouth_width_m / 2.0, part.outlet_width_m / 2.0
    record["present"] = 1
    record["is_round"] = part.section == "round"
    record["top"], record["bottom"] = top, top + length
    record["mouth_x"], record["outlet_x"] = mouth, outlet
    record["mouth_y"], record["outlet_y"] = mouth, outlet
    if part.section == "trough":
        record["mouth_y"] = record["outlet_y"] = (trough_length or 0.0) / 2.0
    record["reflectance"] = part.reflectance
    record["solid"] = isinstance(part, Funnel) and part.kind == "solid"
    if part.shape == "parabolic" and isinstance(part, Collar) and part.place == "beside":
        _focused_wall(record, mouth, focus_depth, part.section == "square")
    elif part.shape in ("parabolic", "compound_parabolic"):
        record["curved"], record["curved_y"] = 1, part.section == "square"
        try:
            theta = solve_axis_angle(mouth, outlet, length)
        except ValueError as limits:
            key = "height_m" if isinstance(part, Collar) else "length_m"
            problems.append(Problem("", f"[{name}] {key}", f"is {length:g}", str(limits)))
            return
        record["axis_sin"], record["axis_cos"] = math.sin(theta), math.cos(theta)
        record["semi_latus"] = 2.0 * outlet * (1.0 + math.sin(theta))
        record["focus_x"], record["focus_depth"] = outlet, top + length


def _focused_wall(record: Records, mouth: float, focus_depth: float, is_square: bool) -> None:
    """A parabola about the axis that sends straight light to a point of the axis: x^2 = p^2 + 2 p h."""
    height = focus_depth - float(record["top"][0])
    latus = math.sqrt(height**2 + mouth**2) - height
    record["curved"], record["curved_y"], record["axis_cos"] = 1, is_square, 1.0
    record["semi_latus"], record["focus_depth"] = latus, focus_depth
    end = math.sqrt(latus * (latus + 2.0 * (focus_depth - float(record["bottom"][0]))))
    record["outlet_x"] = end
    if record["curved_y"][0]:
        record["outlet_y"] = end
