"""Checks of a prescription that need two tables to be seen, on whatever numbers of the file are readable."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, get_args

from yieldsim.base.errors import YieldsimError
from yieldsim.base.prescription_model import LensKind
from yieldsim.files.prescription.material_database import (
    PLAIN_NAMES,
    plain_material,
    plain_name,
    unknown_material_hint,
)
from yieldsim.files.prescription.models import number_in
from yieldsim.files.toml.model import Faults, fault, told


def _table(given: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = given.get(key)
    return value if isinstance(value, Mapping) else {}


def unknown_materials(given: Mapping[str, Any]) -> Faults:
    """Every material is in the list or in the file, once."""
    rows = given.get("materials")
    tables = [row for row in rows if isinstance(row, Mapping)] if isinstance(rows, list) else []
    own = tuple(str(row.get("name", "")).strip() for row in tables)
    for name in sorted({name for name in own if own.count(name) > 1}):
        yield fault("materials", f'describes "{name}" twice')
    for key in ("lens", "funnel"):
        word = _table(given, key).get("material")
        if isinstance(word, str) and word.strip() not in own and plain_name(word) is None:
            found = f"material {told(word)} is not in the material list"
            yield fault(key, found, ", ".join([*PLAIN_NAMES, *own]), unknown_material_hint(word, own))


def _index_of(given: Mapping[str, Any], key: str) -> float | None:
    """Index at the lens's design wavelength, as far as it can be told before everything is checked."""
    name = _table(given, key).get("material")
    wavelength = number_in({"design_wavelength_nm": 600.0, **_table(given, "lens")}, "design_wavelength_nm")
    if not isinstance(name, str) or wavelength is None:
        return None
    rows = given.get("materials")
    for row in rows if isinstance(rows, list) else ():
        if isinstance(row, Mapping) and row.get("name") == name:
            return number_in(row, "index")
    try:
        return float(plain_material(name).index_at(wavelength)) if plain_name(name) else None
    except YieldsimError:  # without the database the index is not known here; reading the material says so
        return None


def _half_extent(lens: Mapping[str, Any]) -> float | None:
    width, length = number_in(lens, "width_m"), number_in(lens, "length_m")
    if width is None:
        return None
    if lens.get("kind") == "linear_fresnel" or lens.get("outline") not in ("square", "rectangle"):
        return width / 2.0
    other = width if lens.get("outline") == "square" else length
    return None if other is None else 0.5 * math.hypot(width, other)


def lens_shape(given: Mapping[str, Any]) -> Faults:
    """A lens that exists: room for its curves, grooves that refract, grooves shallower than the lens."""
    lens = _table(given, "lens")
    kind, half = lens.get("kind"), _half_extent(lens)
    thickness, f = number_in(lens, "thickness_m"), number_in(lens, "focal_length_m")
    index = _index_of(given, "lens")
    if half is None or half <= 0.0:
        return
    if kind == "domed_fresnel":
        radius = number_in(lens, "dome_radius_m")
        if radius is not None and thickness is not None and radius - thickness <= half:
            allowed = f"more than half the lens's width and its thickness, {half + max(thickness, 0.0):.4g}"
            yield fault("lens", f"dome_radius_m is {radius:g}", allowed)
    if kind == "plano_convex":
        radius = number_in(lens, "curvature_radius_m")
        if radius is None and f is not None and index is not None:
            radius = (index - 1.0) * f
        conic = number_in({"conic_constant": 0.0, **lens}, "conic_constant") or 0.0
        if radius is None or radius <= 0.0:
            return
        inside = 1.0 - (1.0 + conic) * (half / radius) ** 2
        if inside <= 0.0:
            found = (
                f"needs a curved side of radius {radius:.4g} m, too sharp for a lens {2.0 * half:g} m wide"
            )
            yield fault("lens", found, hint="a longer focal length or a narrower lens")
        elif thickness is not None:
            sag = half**2 / radius / (1.0 + math.sqrt(inside))
            if thickness < sag:
                yield fault(
                    "lens", f"thickness_m is {thickness:g}", f"at least the curved side's height, {sag:.4g}"
                )
    if kind in ("fresnel", "linear_fresnel") and lens.get("groove_side", "in") == "in":
        if f is None or f <= 0.0 or index is None or "facet_angles_deg" in lens or index <= 1.0:
            return
        source = number_in(lens, "source_distance_m")
        turn = math.degrees(
            math.atan2(half, f) + (math.atan2(half, source) if source and source > 0.0 else 0.0)
        )
        most = math.degrees(math.acos(1.0 / index))
        # the outermost groove's centre stands a little inside the rim
        if turn > most + 1.0:
            found = (
                f"focal_length_m is {f:g}: the outermost grooves would have to turn light by {turn:.1f} deg"
            )
            allowed = f"at most {most:.1f} deg at index {index:.4f}, where facets start to reflect"
            hint = "a longer focal length, a narrower lens or grooves facing out"
            yield fault("lens", found, allowed, hint)


def placing(given: Mapping[str, Any]) -> Faults:
    """Parts one behind the other."""
    lens, funnel, fibre = _table(given, "lens"), given.get("funnel"), _table(given, "fibre")
    kind = lens.get("kind")
    if kind not in get_args(LensKind):
        return
    has_funnel = isinstance(funnel, Mapping)
    if kind == "none" and not has_funnel:
        yield fault("funnel", "is missing", hint='with kind = "none" the funnel is the whole collector')
    behind, name = (_table(given, "funnel"), "funnel") if has_funnel else (fibre, "fibre")
    if has_funnel and "distance_m" in fibre:
        hint = "distance_m belongs in [funnel]; gap_m is the way from the funnel to the fibre"
        yield fault("fibre", "has a distance_m beside a funnel", hint=hint)
    distance = number_in(behind, "distance_m")
    standing = number_in(lens, "focal_length_m") if "distance_m" not in behind else distance
    has_focus = "focal_length_m" in lens or "curvature_radius_m" in lens
    if kind != "none" and "distance_m" not in behind and not has_focus:
        hint = "with given facets there is no designed focus to stand at"
        yield fault(name, "distance_m is missing", hint=hint)
    if distance == 0.0 and kind in ("fresnel", "linear_fresnel", "domed_fresnel", "plano_convex"):
        yield fault(name, "distance_m is 0: it touches the lens", "more than 0")
    axial = number_in(_table(given, "tolerances"), "funnel_axial_mm")
    if axial is not None and standing is not None and 0.0 < standing < 3e-3 * axial:
        found = f"funnel_axial_mm is {axial:g}: three of it reach from the {name} to the lens, {standing:g} m away"
        yield fault("tolerances", found)
    if fibre.get("coupling") == "matched" and has_funnel and _table(given, "funnel").get("kind") == "mirror":
        yield fault("fibre", 'coupling is "matched" behind a hollow mirror', '"air_gap"')
    section = _table(given, "funnel").get("section", "round")
    if has_funnel and section == "trough":
        if kind not in ("linear_fresnel", "none"):
            yield fault("funnel", 'section is "trough"', '"round" or "square", behind a round lens')
        if kind == "none" and "trough_length_m" not in _table(given, "funnel"):
            yield fault("funnel", "trough_length_m is missing", hint="how long is the trough?")
    radius, half = number_in(lens, "dome_radius_m"), _half_extent(lens)
    if kind == "domed_fresnel" and radius and half and distance is not None and half < radius:
        rim = radius - math.sqrt(radius**2 - half**2)
        mouth = number_in(behind, "mouth_width_m" if has_funnel else "face_diameter_mm")
        mouth = mouth if has_funnel or mouth is None else mouth / 1000.0
        depth = distance + (number_in(lens, "thickness_m") or 0.0)
        if (
            mouth is not None
            and depth < rim
            and mouth / 2.0 > math.sqrt(max(0.0, radius**2 - (radius - depth) ** 2))
        ):
            yield fault(
                name, f"distance_m is {distance:g}: it overlaps the dome", hint="further back, or narrower"
            )


def collar_fits(given: Mapping[str, Any]) -> Faults:
    """The collar leaves the lens free and stays clear of the funnel."""
    collar = given.get("collar")
    if not isinstance(collar, Mapping):
        return
    lens = _table(given, "lens")
    width, thickness = number_in(lens, "width_m"), number_in(lens, "thickness_m") or 0.0
    mouth, outlet = number_in(collar, "mouth_width_m"), number_in(collar, "outlet_width_m")
    height = number_in(collar, "height_m")
    shape, linear = collar.get("shape"), lens.get("kind") == "linear_fresnel"
    if width is None and lens.get("kind") == "none":
        width = number_in(_table(given, "funnel"), "mouth_width_m")
    if linear and shape == "conical":
        yield fault("collar", 'shape is "conical"', '"flat" or "parabolic", around straight grooves')
    if collar.get("section") == "trough" and not linear and lens.get("kind") != "none":
        yield fault("collar", 'section is "trough"', '"round" or "square", around a round lens')
    width = _collar_needs(lens, collar, width)
    if width is None or mouth is None:
        return
    if collar.get("place", "above") == "above":
        end = width if outlet is None else outlet
        if end < width * (1.0 - 1e-9):
            allowed = f"at least its width, {width:g}"
            yield fault("collar", f"outlet_width_m is {end:g}: it overlaps the lens", allowed)
        if mouth <= end:
            yield fault(
                "collar", f"mouth_width_m is {mouth:g}", f"more than where it meets the lens, {end:g}"
            )
    elif lens.get("kind") == "domed_fresnel" or lens.get("kind") == "none":
        yield fault("collar", 'place is "beside"', '"above", with a dome or without a lens')
    elif height is not None and height > 0.0:
        at_lens = mouth if outlet is None else mouth - (mouth - outlet) * min(1.0, thickness / height)
        if at_lens <= width:
            found = f"mouth_width_m is {mouth:g}: it overlaps the lens"
            yield fault("collar", found, f"clear of its width, {width:g}")
        behind = "funnel" if isinstance(given.get("funnel"), Mapping) else "fibre"
        distance = number_in(_table(given, behind), "distance_m")
        distance = number_in(lens, "focal_length_m") if distance is None else distance
        if distance is not None and height > thickness + distance:
            found = f"height_m is {height:g}: it overlaps the {behind}"
            yield fault("collar", found, f"at most the way to it, {thickness + distance:g}")


def _collar_needs(lens: Mapping[str, Any], collar: Mapping[str, Any], width: float | None) -> float | None:
    """How wide a collar must be to go around a lens: corners reach further than sides."""
    length = number_in(lens, "length_m")
    if width is None or lens.get("outline") not in ("square", "rectangle") or lens.get("kind") != "fresnel":
        return width
    other = width if lens.get("outline") == "square" or length is None else length
    is_square = collar.get("section") == "square" or (
        "section" not in collar and collar.get("shape") == "flat"
    )
    return max(width, other) if is_square else math.hypot(width, other)
