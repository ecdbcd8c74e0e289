"""The body file: a world's size, rotation and what can pass before its Sun."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import AfterValidator, Field, ValidationInfo

from yieldsim.base.constants import HOURS_PER_DAY
from yieldsim.base.model import Body, Occulter, OrientationKernel, RotationElements
from yieldsim.files.text.paths import named_kernel
from yieldsim.files.toml.model import (
    Faults,
    StrictModel,
    Text,
    fault,
    problem,
    read_named,
    stated,
    told,
    whole_number,
    within,
)

Finite = Annotated[float, within(-1.0e12, 1.0e12)]
NOT_WORLDS = {0: "the centre of mass of the Solar System", 10: "the Sun"}
"""NAIF numbers of what neither carries sites nor passes in front of the Sun."""
SHORTEST_ORBIT_DAYS = 80.0
"""Less than the year of any planet or known asteroid; Mercury's, the shortest of the planets, is 88 days."""


def _world(value: int) -> int:
    """A NAIF number of a world."""
    if value in NOT_WORLDS:
        raise problem(f"is {value}, {NOT_WORLDS[value]}", "the NAIF number of a planet, moon or small body")
    return value


def _kernel_name(name: str, info: ValidationInfo) -> str:
    """A bare name, or the absolute path of a file that a body file may name."""
    return read_named(info, lambda reading: named_kernel(name, reading.path), lambda found: str(found.path))


KernelName = Annotated[Text, AfterValidator(_kernel_name)]
Target = Annotated[int, AfterValidator(_world), whole_number(-(10**9), 10**9)]


class RotationTable(StrictModel):
    """[rotation]: pole and prime meridian, as in the reports of the IAU working group."""

    pole_right_ascension_deg: list[Finite]
    pole_declination_deg: list[Finite]
    prime_meridian_deg: list[Finite]
    right_ascension_terms: list[list[Finite]] = Field(default_factory=list)
    declination_terms: list[list[Finite]] = Field(default_factory=list)
    prime_meridian_terms: list[list[Finite]] = Field(default_factory=list)

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """Lengths: 1 to 3 coefficients, rows of 3 or 4 numbers. A pole in the sky, and a world that turns."""
        declination = _numbers(given.get("pole_declination_deg"))
        meridian = _numbers(given.get("prime_meridian_deg"))
        if declination and abs(declination[0]) > 90.0:
            yield fault("pole_declination_deg", f"begins at {declination[0]:g}", "-90 to 90")
        if meridian and not any(meridian[1:2]):
            allowed = "a second coefficient, in degrees a day, other than 0"
            yield fault("prime_meridian_deg", "has no rate of rotation", allowed)
        for key, value in given.items():
            if not isinstance(value, list):
                continue
            if key.endswith("_deg") and not 1 <= len(value) <= 3:
                yield fault(key, f"holds {len(value)} coefficients", "1 to 3")
            if key.endswith("_terms"):
                for number, row in enumerate(value, start=1):
                    if isinstance(row, list) and len(row) not in (3, 4):
                        rows = "3 (amplitude, phase, rate per century) or 4 (and a rate per century squared)"
                        yield fault(key, f"row {number} holds {len(row)} numbers", rows)

    def noun(self) -> RotationElements:
        """Frozen elements."""
        return self.made(RotationElements)


class OrientationKernelTable(StrictModel):
    """[orientation_kernel]: a binary orientation kernel used where it covers the span."""

    frame_file: KernelName
    binary_file: KernelName
    frame: Text

    def noun(self) -> OrientationKernel:
        """The frozen kernel."""
        return self.made(OrientationKernel)


class OcculterTable(StrictModel):
    """[[occulters]]: a body that can pass in front of the Sun."""

    name: Text
    ephemeris_target: Target
    radius_km: Annotated[float, stated(Occulter, "radius_km")]

    def noun(self) -> Occulter:
        """The frozen occulter."""
        return self.made(Occulter)


class AtmosphereOfBody(StrictModel):
    """[atmosphere] of a body: its presence says that a site there may have an optical depth."""

    scale_height_km: Annotated[float, within(above=0.0, high=1.0e4)]


class BodyFile(StrictModel):
    """A body file."""

    name: Text
    ephemeris_target: Target
    orbit_target: Target | None = None
    equatorial_radius_km: Annotated[float, stated(Body, "equatorial_radius_km")]
    polar_radius_km: Annotated[float, stated(Body, "polar_radius_km")]
    mean_solar_day_hours: Annotated[float, stated(Body, "mean_solar_day_hours")]
    rotation: RotationTable
    orientation_kernel: OrientationKernelTable | None = None
    occulters: list[OcculterTable] = Field(default_factory=list)
    atmosphere: AtmosphereOfBody | None = None
    lowest_ground_m: Annotated[float, stated(Body, "lowest_ground_m")] | None = None
    highest_ground_m: Annotated[float, stated(Body, "highest_ground_m")] | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """An ellipsoid of rotation about its short axis; a solar day that goes with the rotation.

        Once in a year the solar day gains or loses a turn on the stars:

            | 1 / solar day - |rate| / 360 deg | = 1 / year

        so any year that is not shorter than SHORTEST_ORBIT_DAYS leaves the solar day within bounds.
        """
        rotation = given.get("rotation")
        meridian = _numbers(rotation.get("prime_meridian_deg")) if isinstance(rotation, Mapping) else []
        day_hours = given.get("mean_solar_day_hours")
        if any(meridian[1:2]) and isinstance(day_hours, int | float) and 0.0 < day_hours <= 1.0e7:
            low, high = solar_day_bounds_hours(meridian[1])
            if not low <= day_hours <= high:
                allowed = f"{low:.4g} or more" if math.isinf(high) else f"{low:.4g} to {high:.4g}"
                hint = f"the prime meridian turns by {meridian[1]:g} deg a day"
                yield fault("mean_solar_day_hours", f"is {told(day_hours)}", allowed, hint)
        lowest, highest = given.get("lowest_ground_m"), given.get("highest_ground_m")
        if isinstance(lowest, int | float) and isinstance(highest, int | float) and not lowest < highest:
            yield fault("highest_ground_m", f"is {told(highest)}", f"above lowest_ground_m ({told(lowest)})")
        polar, equatorial = given.get("polar_radius_km"), given.get("equatorial_radius_km")
        if (
            isinstance(polar, int | float)
            and isinstance(equatorial, int | float)
            and not 0.3 * equatorial <= polar <= equatorial
        ):
            allowed = f"0.3 to 1 times equatorial_radius_km ({equatorial:g})"
            yield fault("polar_radius_km", f"is {polar:g}", allowed)

    def noun(self) -> Body:
        """The frozen body."""
        air = self.atmosphere
        return self.made(Body, atmosphere_scale_height_km=air.scale_height_km if air else None)


def solar_day_bounds_hours(rate_deg_per_day: float) -> tuple[float, float]:
    """Shortest and longest mean solar day of a world with this rate of rotation, in any orbit about the Sun.

    >>> [round(hours, 1) for hours in solar_day_bounds_hours(360.9856235)]
    [23.6, 24.2]
    """
    turns_per_day, year_turns_per_day = abs(rate_deg_per_day) / 360.0, 1.0 / SHORTEST_ORBIT_DAYS
    slowest = turns_per_day - year_turns_per_day
    longest = HOURS_PER_DAY / slowest if slowest > 0.0 else math.inf
    return HOURS_PER_DAY / (turns_per_day + year_turns_per_day), longest


def _numbers(values: object) -> list[float]:
    """The coefficients of a list as written; none where it is no list of numbers, which is told elsewhere."""
    if not isinstance(values, list):
        return []
    numbers = [one for one in values if isinstance(one, int | float) and -1e9 < one < 1e9]
    return numbers if len(numbers) == len(values) else []
