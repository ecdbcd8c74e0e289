"""The collector file: aperture, mounts, acceptance, dust shield and fibre."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from yieldsim.base.model import (
    Acceptance,
    AttenuationTable,
    BiaxialAcceptance,
    Collector,
    Fibre,
    GrainRemoval,
    Mount,
    PrescriptionAcceptance,
    RoundAcceptance,
    Shield,
)
from yieldsim.files.inputs.radiation import RadiationTable
from yieldsim.files.inputs.thermal import ThermalTable
from yieldsim.files.tables.lookup_tables import (
    AcceptanceCells,
    GrainCells,
    acceptance_cells,
    attenuation_table,
    grain_removal_table,
)
from yieldsim.files.toml.context import Reading
from yieldsim.files.toml.model import (
    Faults,
    StrictModel,
    Text,
    exactly_one,
    existing_file,
    fault,
    named_file,
    stated,
)
from yieldsim.files.toml.parse import parse_toml

ROUND_PACKING = math.pi / (2.0 * math.sqrt(3.0))
"""Share of a plane that equal circles can cover, 0.9069: a bundle of round fibres can't be denser."""

MINUTES_PER_HOUR = 60.0


class MountTable(StrictModel):
    """[[mounts]]: a direction and a count of units."""

    tilt_deg: Annotated[float, stated(Mount, "tilt_deg")]
    azimuth_deg: Annotated[float, stated(Mount, "azimuth_deg")]
    roll_deg: Annotated[float, stated(Mount, "roll_deg")] = 0.0
    count: Annotated[int, stated(Mount, "count")] = 1

    def noun(self) -> Mount:
        """The frozen mount."""
        return self.made(Mount)


class AcceptanceTable(StrictModel):
    """[acceptance]: a table and what source it is for, or a prescription to trace."""

    table: Annotated[AcceptanceCells, named_file(acceptance_cells)] | None = None
    source: Literal["point", "disc"] | None = None
    prescription: Annotated[Path, existing_file()] | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """A table with its source, or a prescription without."""
        yield from exactly_one(given, "table", "prescription")
        if "table" in given and "source" not in given:
            hint = "point: measured or traced with parallel light; disc: the Sun's width is already in it"
            yield fault("source", "is missing", '"point" or "disc"', hint)
        if "source" in given and "prescription" in given and "table" not in given:
            yield fault("source", "stands beside prescription", hint="it belongs to a table; leave it out")

    def noun(self) -> Acceptance | PrescriptionAcceptance:
        """The frozen acceptance."""
        if self.table is None or self.source is None:
            return PrescriptionAcceptance(prescription=str(self.prescription))
        angles_deg, fraction, bands = self.table.angles_deg, self.table.acceptance_fraction, self.table.bands
        if len(angles_deg) == 1:
            return RoundAcceptance(
                incidence_deg=angles_deg[0], acceptance_fraction=fraction, source=self.source, bands=bands
            )
        return BiaxialAcceptance(
            transverse_deg=angles_deg[0],
            longitudinal_deg=angles_deg[1],
            acceptance_fraction=fraction,
            source=self.source,
            bands=bands,
        )


class GrainsTable(StrictModel):
    """[shield.grains]: removal by grain size, and the sizes that settle."""

    table: Annotated[GrainCells, named_file(grain_removal_table)]
    median_um: Annotated[float, stated(GrainRemoval, "median_um")]
    geometric_sd: Annotated[float, stated(GrainRemoval, "geometric_sd")]

    def noun(self) -> GrainRemoval:
        """The frozen noun."""
        diameter_um, removal_fraction = self.table
        return self.made(GrainRemoval, diameter_um=diameter_um, removal_fraction=removal_fraction)


class ShieldTable(StrictModel):
    """[shield]: an electrodynamic dust shield on every aperture."""

    film_transmittance: Annotated[float, stated(Shield, "film_transmittance")]
    removal: Annotated[float, stated(Shield, "removal")] = 0.0
    lowest_removal: Annotated[float, stated(Shield, "lowest_removal")] | None = None
    highest_removal: Annotated[float, stated(Shield, "highest_removal")] | None = None
    grains: GrainsTable | None = None
    cycle_hours: Annotated[float, stated(Shield, "cycle_hours")] | None = None
    duty_minutes: Annotated[float, stated(Shield, "duty_minutes")] = 0.0
    power_w: Annotated[float, stated(Shield, "power_w")] = 0.0

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """A shield that removes or draws needs its cycle, and runs no longer than it."""
        cycle_hours, duty_minutes = given.get("cycle_hours"), given.get("duty_minutes")
        needing = [key for key in ("removal", "grains", "duty_minutes", "power_w") if given.get(key)]
        if cycle_hours is None and needing:
            yield fault("cycle_hours", "is missing", hint=f"{needing[0]} is given; how often does it run?")
        if isinstance(cycle_hours, int | float) and isinstance(duty_minutes, int | float):
            longest = cycle_hours * MINUTES_PER_HOUR
            if 0.0 < longest < duty_minutes:
                allowed = f"at most cycle_hours, {longest:g} minutes"
                yield fault("duty_minutes", f"is {duty_minutes:g}", allowed)
        yield from cls._one_removal(given)

    @classmethod
    def _one_removal(cls, given: Mapping[str, Any]) -> Faults:
        """A removal by size takes the place of the number; a range has both ends, and the number between them."""
        if given.get("grains") is not None:
            for key in ("removal", "lowest_removal", "highest_removal"):
                if key in given:
                    yield fault(key, "stands beside grains", hint="one number or sizes; leave one out")
            return
        ends = [given.get(key) for key in ("lowest_removal", "highest_removal")]
        if ends == [None, None]:
            return
        for key, end in zip(("lowest_removal", "highest_removal"), ends, strict=True):
            if end is None:
                yield fault(key, "is missing", hint="a range has two ends")
        numbers = [ends[0], given.get("removal", 0.0), ends[1]]
        if all(isinstance(one, int | float) for one in numbers) and (
            numbers != sorted(numbers) or ends[0] == ends[1]
        ):
            words = f"holds {ends[0]:g} to {ends[1]:g} around a removal of {numbers[1]:g}"
            yield fault("highest_removal", words, "lowest_removal < highest_removal, removal between them")

    def noun(self) -> Shield:
        """The frozen shield."""
        return self.made(Shield)


class FibreTable(StrictModel):
    """[fibre]: from the funnel to the habitat."""

    length_m: Annotated[float, stated(Fibre, "length_m")]
    attenuation_db_per_km: Annotated[float, stated(Fibre, "attenuation")] | None = None
    table: Annotated[AttenuationTable, named_file(attenuation_table)] | None = None
    packing: Annotated[float, stated(Fibre, "packing")] = 1.0
    end_reflection: Annotated[float, stated(Fibre, "end_reflection")] = 0.0
    coupling: Annotated[float, stated(Fibre, "coupling")] = 1.0
    numerical_aperture: Annotated[float, stated(Fibre, "numerical_aperture")] | None = None
    face_diameter_mm: Annotated[float, stated(Fibre, "face_diameter_mm")] | None = None
    darkening_db_per_km_per_year: Annotated[float, stated(Fibre, "darkening_db_per_km_per_year")] = 0.0

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """One attenuation; aperture and face together, for the etendue limit needs both."""
        yield from exactly_one(given, "attenuation_db_per_km", "table")
        pair = ("numerical_aperture", "face_diameter_mm")
        for key, other in (pair, pair[::-1]):
            if key in given and other not in given:
                yield fault(other, "is missing", hint=f"the etendue limit needs it beside {key}")

    def noun(self) -> Fibre:
        """The frozen fibre."""
        constant = self.attenuation_db_per_km or 0.0
        return self.made(Fibre, attenuation=constant if self.table is None else self.table)


class CollectorFile(StrictModel):
    """A collector file."""

    name: Text
    aperture_area_m2: Annotated[float, stated(Collector, "aperture_area_m2")]
    mass_kg: Annotated[float, stated(Collector, "mass_kg")] | None = None
    mounts: list[MountTable] = Field(description="one [[mounts]] for each direction")
    acceptance: AcceptanceTable
    shield: ShieldTable | None = None
    fibre: FibreTable | None = None
    thermal: ThermalTable | None = None
    radiation: RadiationTable | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """At least one mount; heat of a fibre only where there is one."""
        if given.get("mounts") == []:
            yield fault("mounts", "is empty", "one or more mounts")
        if "thermal" in given and "fibre" not in given:
            yield fault("thermal", "stands without [fibre]", hint="its parts are funnel, joint and fibre")
        dose = given.get("radiation")
        if isinstance(dose, Mapping) and dose.get("fibre_db_per_km") and "fibre" not in given:
            found = "holds fibre_db_per_km without [fibre]"
            yield fault("radiation", found, hint="there is no fibre to darken")

    def noun(self) -> Collector:
        """The frozen collector."""
        return self.made(Collector)


def collector_of(reading: Reading) -> Collector:
    """The collector in the reading's file. Raises InputError."""
    model = parse_toml(reading, CollectorFile, "collector")
    fibre = model.fibre
    if fibre is not None and ROUND_PACKING < fibre.packing < 1.0:
        reading.warn(
            f"[fibre] packing {fibre.packing:g} is denser than round fibres can be ({ROUND_PACKING:.4f})"
        )
    return model.noun()
