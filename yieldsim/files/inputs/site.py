"""The site file: where the collector stands, its skyline, air and dust."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator

from yieldsim.base.constants import HOURS_PER_DAY
from yieldsim.base.model import (
    Body,
    CleaningEvent,
    Dust,
    HorizonMask,
    OpticalDepthTable,
    Site,
    TerrainHorizon,
)
from yieldsim.files.inputs.body import BodyFile
from yieldsim.files.inputs.thermal import GroundTableOfSite
from yieldsim.files.tables.lookup_tables import horizon_mask, optical_depth_table
from yieldsim.files.terrain.raster_metadata import split_variable
from yieldsim.files.text.bundled import body_path
from yieldsim.files.toml.context import Reading
from yieldsim.files.toml.model import (
    Faults,
    Moment,
    StrictModel,
    Text,
    exactly_one,
    existing_file,
    fault,
    named_file,
    problem,
    read_named,
    stated,
    told,
)
from yieldsim.files.toml.parse import parse_toml


def body_of(reading: Reading) -> Body:
    """The body in the reading's file. Raises InputError."""
    return parse_toml(reading, BodyFile, "body").noun()


def _body(value: object, info: ValidationInfo) -> Body:
    """The built-in body or body file that the key `body` names."""
    if not isinstance(value, str):
        raise problem(f"is {told(value)}", "the name of a body or a body file, in quotes")
    return read_named(info, lambda reading: body_path(value, reading.path), body_of)


class HorizonTable(StrictModel):
    """[horizon]: exactly one of a table, terrain files or the bare body."""

    table: Annotated[HorizonMask, named_file(horizon_mask)] | None = None
    terrain: list[Annotated[Path, existing_file(split_variable)]] | None = None
    flat: bool | None = None
    reach_km: Annotated[float, stated(TerrainHorizon, "reach_km")] | None = None
    azimuth_step_deg: Annotated[float, stated(TerrainHorizon, "azimuth_step_deg")] | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """One kind of horizon; what shapes a computed one only beside terrain."""
        yield from exactly_one(given, "table", "terrain", "flat")
        if given.get("flat") is False:
            yield fault("flat", "is false", "true", "leave it out and name a table or terrain")
        if given.get("terrain") == []:
            yield fault("terrain", "is empty", "one or more terrain files, finest first")
        for key in ("reach_km", "azimuth_step_deg"):
            if key in given and "terrain" not in given:
                yield fault(key, "stands without terrain", hint="it shapes a horizon computed from terrain")

    def noun(self) -> HorizonMask | TerrainHorizon | None:
        """A mask, a mask still to be computed, or None for the bare body."""
        if self.terrain is None:
            return self.table
        files = tuple(str(path) for path in self.terrain)
        if self.azimuth_step_deg is None:
            return TerrainHorizon(terrain=files, reach_km=self.reach_km)
        return TerrainHorizon(terrain=files, reach_km=self.reach_km, azimuth_step_deg=self.azimuth_step_deg)


class AtmosphereTable(StrictModel):
    """[atmosphere]: vertical optical depth, one number or a table."""

    optical_depth: Annotated[float, stated(Site, "optical_depth")] | None = None
    table: Annotated[OpticalDepthTable, named_file(optical_depth_table)] | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """A number or a table."""
        yield from exactly_one(given, "optical_depth", "table")

    def noun(self) -> float | OpticalDepthTable | None:
        """The optical depth."""
        return self.table if self.optical_depth is None else self.optical_depth


class EventTable(StrictModel):
    """One cleaning event."""

    time: Moment
    removes: Annotated[float, stated(CleaningEvent, "removes")]

    def noun(self) -> CleaningEvent:
        """The frozen event."""
        return self.made(CleaningEvent, time_utc=self.time)


class DustTable(StrictModel):
    """[dust]: how it settles and when it is cleaned off."""

    loss_per_day: Annotated[float, stated(Dust, "loss_per_day")] | None = None
    loss_per_sol: Annotated[float, stated(Dust, "loss_per_day")] | None = None
    model: Literal["exponential", "linear"] = "exponential"
    tilt_exponent: Annotated[float, stated(Dust, "tilt_exponent")] = 0.0
    floor: Annotated[float, stated(Dust, "floor")] = 0.0
    events: list[EventTable] = Field(default_factory=list)

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """One rate."""
        yield from exactly_one(given, "loss_per_day", "loss_per_sol")

    def noun(self, body: Body) -> Dust:
        """Dust by the Earth day, events in order of time.

        A loss per sol is that of one mean solar day of the body; exponential loss compounds, linear adds up:

            exponential   loss_per_day = 1 - (1 - loss_per_sol)^(24 h / solar day)
            linear        loss_per_day = loss_per_sol * 24 h / solar day
        """
        loss_per_day, loss_per_sol = self.loss_per_day or 0.0, self.loss_per_sol
        if loss_per_sol is not None:
            days = HOURS_PER_DAY / body.mean_solar_day_hours
            linear = self.model == "linear"
            loss_per_day = loss_per_sol * days if linear else -math.expm1(days * math.log1p(-loss_per_sol))
        events = sorted(self.events, key=lambda event: (event.time, event.removes))
        return self.made(Dust, loss_per_day=loss_per_day, events=tuple(event.noun() for event in events))


class SiteFile(StrictModel):
    """A site file."""

    name: Text
    body: Annotated[Body, BeforeValidator(_body)]
    latitude_deg: Annotated[float, stated(Site, "latitude_deg")] | None = None
    latitude_planetographic_deg: Annotated[float, stated(Site, "latitude_deg")] | None = None
    longitude_deg: Annotated[float, stated(Site, "longitude_deg")]
    elevation_m: Annotated[float, stated(Site, "elevation_m")] = 0.0
    mast_height_m: Annotated[float, stated(Site, "mast_height_m")] = 0.0
    horizon: HorizonTable = Field(
        description="flat = true is the bare body; a forgotten skyline would flatter the site"
    )
    atmosphere: AtmosphereTable | None = None
    dust: DustTable | None = None
    ground: GroundTableOfSite | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """One latitude."""
        yield from exactly_one(given, "latitude_deg", "latitude_planetographic_deg")

    @field_validator("atmosphere", mode="before")
    @classmethod
    def _only_where_there_is_air(cls, value: object, info: ValidationInfo) -> object:
        body = info.data.get("body")
        if body is not None and body.atmosphere_scale_height_km is None:
            hint = "leave it out; in a body file [atmosphere] scale_height_km says that there is air"
            raise problem(f"is given, but {body.name} has no atmosphere", hint=hint)
        return value

    def planetocentric_deg(self) -> float:
        """Latitude as used everywhere inside: tan(centric) = (polar/equatorial)^2 tan(graphic)."""
        if self.latitude_deg is not None:
            return self.latitude_deg
        graphic = math.radians(self.latitude_planetographic_deg or 0.0)
        ratio = self.body.polar_radius_km / self.body.equatorial_radius_km
        return math.degrees(math.atan2(ratio**2 * math.sin(graphic), math.cos(graphic)))

    def noun(self) -> Site:
        """The frozen site."""
        return self.made(
            Site,
            latitude_deg=self.planetocentric_deg(),
            optical_depth=self.atmosphere.noun() if self.atmosphere else None,
            dust=self.dust.noun(self.body) if self.dust else None,
        )


def site_of(reading: Reading) -> Site:
    """The site in the reading's file. Raises InputError."""
    model = parse_toml(reading, SiteFile, "site")
    if model.atmosphere is None and model.body.atmosphere_scale_height_km is not None:
        reading.warn(
            f"{model.body.name} has an atmosphere but no [atmosphere] is given: no light is lost in it"
        )
    return model.noun()
