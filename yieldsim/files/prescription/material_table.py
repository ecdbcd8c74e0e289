"""Coatings and materials that a prescription describes itself."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, Any

import numpy as np
from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

from yieldsim.base.errors import InputError, refusal
from yieldsim.base.prescription_model import Coating, OpticalMaterial
from yieldsim.files.prescription.material_database import database_material, sellmeier_material
from yieldsim.files.prescription.refractive_index import GRID_NM
from yieldsim.files.tables.csv_table import Column, Table, read_table
from yieldsim.files.toml.context import Reading
from yieldsim.files.toml.model import (
    Faults,
    StrictModel,
    Text,
    exactly_one,
    fault,
    named_file,
    problem,
    stated,
    told,
    within,
)

Index = Annotated[float, within(1.0, 6.0)]
Kelvin = Annotated[float, within(above=0.0, high=5000.0)]

WAVELENGTH = Column("wavelength_nm", 100.0, 20_000.0, increases=True)
INDEX = Column("refractive_index", 1.0, 6.0)
ABSORPTION = Column("absorption_per_m", 0.0, 1.0e7)


def material_table(reading: Reading) -> Table:
    """Index by wavelength, with absorption or without. Raises InputError."""
    table = read_table(reading, "material table", (WAVELENGTH, INDEX, ABSORPTION), (WAVELENGTH, INDEX))
    if len(table) < 2:
        raise refusal(table.where, found="has one row", allowed="two or more wavelengths")
    return table


TERMS_WORDS = "[[B1, C1], [B2, C2], ...], C in um^2"
SPAN_WORDS = "[shortest, longest] in nm, 100 to 20000"


def _terms(value: object) -> tuple[tuple[float, float], ...]:
    """Sellmeier terms: pairs of finite numbers, one at least."""
    if not isinstance(value, list) or not value:
        raise problem(f"is {told(value)}" if value != [] else "is empty", TERMS_WORDS)
    for number, term in enumerate(value, start=1):
        if not isinstance(term, list) or len(term) != 2:
            raise problem(f"has no pair as term {number}", TERMS_WORDS)
        for part in term:
            if not _is_finite(part):
                raise problem(f"has {told(part)} in term {number}", TERMS_WORDS)
    return tuple((float(b), float(c)) for b, c in value)


def _span(value: object) -> tuple[float, float]:
    """The wavelengths over which Sellmeier terms hold."""
    if not isinstance(value, list) or len(value) != 2:
        raise problem(f"is {told(value)}" if not isinstance(value, list) else "is no pair", SPAN_WORDS)
    if not all(_is_finite(end) for end in value) or not 100.0 <= value[0] < value[1] <= 20_000.0:
        raise problem(f"is [{', '.join(told(end) for end in value)}]", SPAN_WORDS)
    return float(value[0]), float(value[1])


def _is_finite(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300


class CoatingTable(StrictModel):
    """A coating: a stated reflectance at normal incidence, or one layer."""

    reflectance: Annotated[float, stated(Coating, "reflectance")] | None = None
    layer_index: Annotated[float, stated(Coating, "layer_index")] | None = None
    layer_thickness_nm: Annotated[float, stated(Coating, "layer_thickness_nm")] | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """One way or the other; a layer needs both its numbers."""
        yield from exactly_one(given, "reflectance", "layer_index")
        for key, other in (("layer_index", "layer_thickness_nm"), ("layer_thickness_nm", "layer_index")):
            if key in given and other not in given and "reflectance" not in given:
                yield fault(other, "is missing", hint=f"it goes with {key}")

    def noun(self) -> Coating:
        """The frozen coating."""
        return self.made(Coating)


class MaterialTable(StrictModel):
    """[[materials]]: a material of the user's own, by a name that [lens] and [funnel] may use."""

    name: Text
    index: Index | None = None
    sellmeier: Annotated[tuple[tuple[float, float], ...], BeforeValidator(_terms)] | None = None
    sellmeier_nm: Annotated[tuple[float, float], BeforeValidator(_span)] | None = None
    table: Annotated[Table, named_file(material_table)] | None = None
    database: Text | None = None
    absorption_per_m: Annotated[float, within(0.0, 1.0e7)] | None = None
    service_limit_k: Kelvin | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """One source of the index; Sellmeier terms with their wavelengths, that make an index there."""
        yield from exactly_one(given, "index", "sellmeier", "table", "database")
        if "sellmeier" not in given:
            return
        if "sellmeier_nm" not in given:
            yield fault("sellmeier_nm", "is missing", SPAN_WORDS, "where do the terms hold?")
            return
        try:
            terms, span = _terms(given["sellmeier"]), _span(given["sellmeier_nm"])
        except PydanticCustomError:
            return
        try:
            sellmeier_material("", terms, span)
        except InputError as error:
            wrong = error.problems[0]
            yield fault("sellmeier", wrong.found, wrong.allowed, wrong.hint)

    def noun(self) -> OpticalMaterial:
        """The frozen material. Raises InputError where its numbers make no index."""
        if self.index is not None:
            made = OpticalMaterial(
                name=self.name,
                wavelength_nm=GRID_NM,
                refractive_index=np.full_like(GRID_NM, self.index),
                absorption_per_m=np.zeros_like(GRID_NM),
                source="constant index",
            )
        elif self.sellmeier is not None and self.sellmeier_nm is not None:
            made = sellmeier_material(self.name, self.sellmeier, self.sellmeier_nm)
        elif self.table is not None:
            made = self._tabulated(self.table)
        else:
            made = database_material(self.database or "")
        limit = made.service_limit_k if self.service_limit_k is None else self.service_limit_k
        if self.absorption_per_m is None:
            return replace(made, name=self.name, service_limit_k=limit)
        return replace(
            made,
            name=self.name,
            absorption_per_m=np.full(len(made.wavelength_nm), self.absorption_per_m),
            absorption_known_nm=(0.0, math.inf),
            service_limit_k=limit,
        )

    def _tabulated(self, table: Table) -> OpticalMaterial:
        wavelength = table.numbers[WAVELENGTH.name]
        ends = (float(wavelength[0]), float(wavelength[-1]))
        absorption = table.numbers.get(ABSORPTION.name)
        return OpticalMaterial(
            name=self.name,
            wavelength_nm=wavelength,
            refractive_index=table.numbers[INDEX.name],
            absorption_per_m=np.zeros_like(wavelength) if absorption is None else absorption,
            index_known_nm=ends,
            absorption_known_nm=None if absorption is None else ends,
            source="table",
        )
