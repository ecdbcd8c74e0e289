"""The prescription file: one collector unit, from the dust-shield film to the fibre's face, to a frozen noun.

Tables: [lens], [funnel], [fibre], [collar], [film], [tolerances], [band], [heat] and any number of
[[materials]]. Checks between tables work on whatever numbers are readable, so that one pass names every
problem of the file: parts that overlap, grooves that would reflect totally, materials nobody knows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError

from yieldsim.base.errors import InputError, Problem
from yieldsim.base.prescription_model import Collar, FibreFace, Funnel, Lens, OpticalMaterial, Prescription
from yieldsim.files.prescription.checks import collar_fits, lens_shape, placing, unknown_materials
from yieldsim.files.prescription.material_database import plain_material
from yieldsim.files.prescription.material_table import MaterialTable
from yieldsim.files.prescription.models import (
    BandTable,
    CollarTable,
    FibreTable,
    FilmTable,
    FunnelTable,
    HeatTable,
    LensTable,
    TolerancesTable,
)
from yieldsim.files.text.paths import path_given
from yieldsim.files.toml.context import Loaded, Reading
from yieldsim.files.toml.model import Faults, StrictModel, Text
from yieldsim.files.toml.parse import key_words, parse_toml


class PrescriptionFile(StrictModel):
    """A prescription file."""

    name: Text
    lens: LensTable
    fibre: FibreTable
    funnel: FunnelTable | None = None
    collar: CollarTable | None = None
    film: FilmTable | None = None
    tolerances: TolerancesTable = TolerancesTable()
    band: BandTable = BandTable()
    heat: HeatTable = HeatTable()
    materials: Annotated[list[MaterialTable], Field(default_factory=list)]

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """Everything that needs two tables to be seen."""
        yield from unknown_materials(given)
        yield from lens_shape(given)
        yield from placing(given)
        yield from collar_fits(given)


def read_prescription(path: Path | str) -> Loaded[Prescription]:
    """A prescription file. Raises InputError with every problem of it and of the tables it names."""
    reading = Reading(path_given(path, "optics", "the path of a prescription file"))
    return reading.finished(prescription_of(reading))


def prescription_of(reading: Reading) -> Prescription:
    """The prescription in the reading's file. Raises InputError."""
    model = parse_toml(reading, PrescriptionFile, "prescription")
    materials = _materials(reading, model)
    reading.refuse()
    return _noun(model, materials)


def prescription_from(data: Mapping[str, Any], where: Path) -> Prescription:
    """The prescription in a table that has been read and changed since, for sweeps. Raises InputError."""
    reading = Reading(where)
    try:
        model = PrescriptionFile.model_validate(dict(data), context=reading)
    except ValidationError as error:
        faults = []
        for item in error.errors(include_url=False, include_input=False):
            words, key = item.get("ctx", {}), key_words(item["loc"], PrescriptionFile)
            faults.append(Problem(reading.where, key, words["found"], words["allowed"], words["hint"]))
        raise InputError(faults) from None
    materials = _materials(reading, model)
    reading.refuse()
    return _noun(model, materials)


# ---------------------------------------------------------------- to the noun


def _materials(reading: Reading, model: PrescriptionFile) -> dict[str, OpticalMaterial]:
    """Every material by the name it is used by, those of the file whether used or not; faults are kept in the reading."""
    made: dict[str, tuple[str, Callable[[], OpticalMaterial]]] = {
        row.name: (f'[[materials]] "{row.name}"', row.noun) for row in model.materials
    }
    for key, part in (("lens", model.lens), ("funnel", model.funnel)):
        if part is not None and part.material is not None and part.material not in made:
            made[part.material] = (f"[{key}]", partial(plain_material, part.material))
    found: dict[str, OpticalMaterial] = {}
    for name, (where, make) in made.items():
        try:
            found[name] = make()
        except InputError as error:
            for fault in error.problems:
                key = f"{where} {fault.key}"
                reading.problems.append(Problem(reading.where, key, fault.found, fault.allowed, fault.hint))
    lens = found.get(model.lens.material or "")
    if lens is not None and not float(lens.index_at(model.lens.design_wavelength_nm)) > 1.0:
        index = float(lens.index_at(model.lens.design_wavelength_nm))
        place = f"[lens] material at {model.lens.design_wavelength_nm:g} nm"
        allowed = "above 1: else it does not focus"
        reading.problems.append(Problem(reading.where, place, f"has the index {index:g}", allowed))
    return found


def _noun(model: PrescriptionFile, materials: Mapping[str, OpticalMaterial]) -> Prescription:
    lens = _lens(model.lens, materials)
    focus = _focus_m(lens)
    return model.made(
        Prescription,
        lens=lens,
        fibre=_fibre(model.fibre, focus),
        funnel=_funnel(model.funnel, materials, focus, lens) if model.funnel else None,
        collar=_collar(model.collar, lens, model.funnel) if model.collar else None,
    )


def _lens(table: LensTable, materials: Mapping[str, OpticalMaterial]) -> Lens:
    if table.kind == "none":
        return Lens(kind="none")
    material = materials[table.material or ""]
    radius = table.curvature_radius_m or math.inf
    if table.kind == "plano_convex" and table.focal_length_m is not None:
        radius = (float(material.index_at(table.design_wavelength_nm)) - 1.0) * table.focal_length_m
    lens = table.made(
        Lens,
        outline=table.outline or ("rectangle" if table.kind == "linear_fresnel" else "round"),
        width_m=table.width_m or 0.0,
        length_m=table.length_m or 0.0,
        material=material,
        thickness_m=table.thickness_m or 0.0,
        source_distance_m=table.source_distance_m or math.inf,
        groove_count=0,
        facet_angles_deg=tuple(table.facet_angles_deg or ()),
        dome_radius_m=table.dome_radius_m or math.inf,
        curvature_radius_m=radius,
    )
    count = table.groove_count or len(lens.facet_angles_deg)
    if table.groove_pitch_m is not None:
        count = max(1, round(lens.half_extent_m / table.groove_pitch_m))
    return replace(lens, groove_count=count)


def _focus_m(lens: Lens) -> float:
    """From the lens's lower face to where it would focus straight light at the design wavelength."""
    if lens.kind == "plano_convex" and lens.material is not None:
        index = float(lens.material.index_at(lens.design_wavelength_nm))
        f = lens.curvature_radius_m / (index - 1.0)
        return f - (lens.thickness_m / index if lens.curved_side == "out" else 0.0)
    return lens.focal_length_m or 0.0


def _funnel(table: FunnelTable, materials: Mapping[str, OpticalMaterial], focus: float, lens: Lens) -> Funnel:
    return table.made(
        Funnel,
        trough_length_m=table.trough_length_m or (lens.length_m if table.section == "trough" else None),
        distance_m=focus if table.distance_m is None else table.distance_m,
        material=materials[table.material] if table.material else None,
        reflectance=table.reflectance or 1.0,
    )


def _fibre(table: FibreTable, focus: float) -> FibreFace:
    is_round = table.face_diameter_mm is not None
    width = (table.face_diameter_mm or table.face_width_mm or 0.0) / 1000.0
    return table.made(
        FibreFace,
        section="round" if is_round else "rectangle",
        width_m=width,
        length_m=width if is_round else (table.face_length_mm or 0.0) / 1000.0,
        distance_m=focus if table.distance_m is None else table.distance_m,
    )


def _collar(table: CollarTable, lens: Lens, funnel: FunnelTable | None) -> Collar:
    bare = lens.kind == "none"
    trough = lens.kind == "linear_fresnel" or (funnel is not None and funnel.section == "trough" and bare)
    section = table.section or ("trough" if trough else "square" if table.shape == "flat" else "round")
    width, length = lens.width_m, lens.length_m
    if bare and funnel is not None:
        width, length = funnel.mouth_width_m, funnel.trough_length_m or 0.0
    elif section != "trough":
        # around a lens with corners
        width = 2.0 * lens.half_extent_m if section == "round" else max(width, length)
    return table.made(
        Collar,
        section=section,
        outlet_width_m=table.outlet_width_m or width,
        mouth_length_m=table.mouth_length_m or (length if section == "trough" else None),
    )
