"""The body file: a world's size, rotation and what can pass before its Sun."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

from pydantic import Field
from pydantic_core import PydanticCustomError

from yieldsim.base.nouns import Body, Occulter, OrientationKernel, RotationElements, Rows
from yieldsim.files.strict_model import StrictModel, Text, problem, whole_number, within

Finite = Annotated[float, within()]
RadiusKm = Annotated[float, within(above=0.0, high=1.0e6)]
Target = Annotated[int, whole_number(-(10**9), 10**9)]


class RotationTable(StrictModel):
    """[rotation]: pole and prime meridian, as in the reports of the IAU working group."""

    pole_right_ascension_deg: list[Finite]
    pole_declination_deg: list[Finite]
    prime_meridian_deg: list[Finite]
    right_ascension_terms: list[list[Finite]] = Field(default_factory=list)
    declination_terms: list[list[Finite]] = Field(default_factory=list)
    prime_meridian_terms: list[list[Finite]] = Field(default_factory=list)

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, PydanticCustomError]]:
        """Lengths: 1 to 3 coefficients, rows of 3 or 4 numbers."""
        for key, value in given.items():
            if not isinstance(value, list):
                continue
            if key.endswith("_deg") and not 1 <= len(value) <= 3:
                yield key, problem(f"holds {len(value)} coefficients", "1 to 3")
            if key.endswith("_terms"):
                for number, row in enumerate(value, start=1):
                    if isinstance(row, list) and len(row) not in (3, 4):
                        rows = "3 (amplitude, phase, rate per century) or 4 (and a rate per century squared)"
                        yield key, problem(f"row {number} holds {len(row)} numbers", rows)

    def noun(self) -> RotationElements:
        """Frozen elements."""
        return RotationElements(
            pole_right_ascension_deg=tuple(self.pole_right_ascension_deg),
            pole_declination_deg=tuple(self.pole_declination_deg),
            prime_meridian_deg=tuple(self.prime_meridian_deg),
            right_ascension_terms=_rows(self.right_ascension_terms),
            declination_terms=_rows(self.declination_terms),
            prime_meridian_terms=_rows(self.prime_meridian_terms),
        )


class OrientationKernelTable(StrictModel):
    """[orientation_kernel]: a binary orientation kernel used where it covers the span."""

    frame_file: Text
    binary_file: Text
    frame: Text


class OcculterTable(StrictModel):
    """[[occulters]]: a body that can pass in front of the Sun."""

    name: Text
    ephemeris_target: Target
    radius_km: RadiusKm


class AtmosphereOfBody(StrictModel):
    """[atmosphere] of a body: its presence says that a site there may have an optical depth."""

    scale_height_km: Annotated[float, within(above=0.0, high=1.0e4)]


class BodyFile(StrictModel):
    """A body file."""

    name: Text
    ephemeris_target: Target
    orbit_target: Target | None = None
    equatorial_radius_km: RadiusKm
    polar_radius_km: RadiusKm
    mean_solar_day_hours: Annotated[float, within(above=0.0, high=1.0e7)]
    rotation: RotationTable
    orientation_kernel: OrientationKernelTable | None = None
    occulters: list[OcculterTable] = Field(default_factory=list)
    atmosphere: AtmosphereOfBody | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, PydanticCustomError]]:
        """An ellipsoid of rotation about its short axis."""
        polar, equatorial = given.get("polar_radius_km"), given.get("equatorial_radius_km")
        if (
            isinstance(polar, int | float)
            and isinstance(equatorial, int | float)
            and not 0.3 * equatorial <= polar <= equatorial
        ):
            allowed = f"0.3 to 1 times equatorial_radius_km ({equatorial:g})"
            yield "polar_radius_km", problem(f"is {polar:g}", allowed)

    def noun(self) -> Body:
        """The frozen body."""
        kernel = self.orientation_kernel
        return Body(
            name=self.name,
            ephemeris_target=self.ephemeris_target,
            orbit_target=self.orbit_target,
            equatorial_radius_km=self.equatorial_radius_km,
            polar_radius_km=self.polar_radius_km,
            mean_solar_day_hours=self.mean_solar_day_hours,
            rotation=self.rotation.noun(),
            orientation_kernel=OrientationKernel(**kernel.model_dump()) if kernel else None,
            occulters=tuple(Occulter(**occulter.model_dump()) for occulter in self.occulters),
            atmosphere_scale_height_km=self.atmosphere.scale_height_km if self.atmosphere else None,
        )


def _rows(rows: list[list[float]]) -> Rows:
    return tuple(tuple(row) for row in rows)
