"""Tables of a design file beside its own keys: a second site, hand turns, phases and growth."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from yieldsim.base.errors import Problem
from yieldsim.base.load_model import LoadPlan
from yieldsim.base.plans.design import (
    MOST_PHASES,
    DesignPlan,
    Growth,
    GrowthObjective,
    GrowthPhase,
    HandTurns,
    LinkKind,
    Masses,
    SiteChoice,
    SiteLink,
)
from yieldsim.files.inputs.load import load_of
from yieldsim.files.inputs.site import site_of
from yieldsim.files.text.timestamps import is_later
from yieldsim.files.toml.context import Reading
from yieldsim.files.toml.model import (
    Faults,
    Moment,
    StrictModel,
    Text,
    fault,
    named_file,
    stated,
    told,
    within,
)

Kilograms = Annotated[float, stated(Masses, "fixed_kg")]


def read_site_choice(reading: Reading) -> SiteChoice:
    """A site file that a design names."""
    return SiteChoice(file=reading.path, noun=site_of(reading))


def read_load_plan(reading: Reading) -> tuple[Path, LoadPlan]:
    """A load file that a design names."""
    return reading.path, load_of(reading)


class LinkTable(StrictModel):
    """[link]: a second site, joined to the first."""

    site: Annotated[SiteChoice, named_file(read_site_choice)] = Field(
        description="the site file of the second site"
    )
    kind: LinkKind
    length_km: Annotated[float, stated(SiteLink, "length_km")]
    loss_per_km_fraction: Annotated[float, stated(SiteLink, "loss_per_km_fraction")] | None = None
    loss_db_per_km: Annotated[float, within(0.0, 1.0e4)] | None = None
    ends_efficiency: Annotated[float, stated(SiteLink, "ends_efficiency")] = 1.0
    kg_per_km: Kilograms = 0.0
    ends_kg: Kilograms = 0.0

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """One of the two losses."""
        if ("loss_per_km_fraction" in given) == ("loss_db_per_km" in given):
            both = "loss_db_per_km" in given
            found = "stands beside loss_per_km_fraction" if both else "is missing"
            yield fault("loss_db_per_km", found, "one of loss_db_per_km and loss_per_km_fraction")

    def noun(self) -> SiteLink:
        """The frozen link."""
        loss = self.loss_per_km_fraction
        if loss is None:
            loss = 1.0 - 10.0 ** (-(self.loss_db_per_km or 0.0) / 10.0)
        return self.made(SiteLink, loss_per_km_fraction=loss)


class HandTurnsTable(StrictModel):
    """[hand_turns]: units turned by hand, to compare with."""

    most_turns: Annotated[int, stated(HandTurns, "most_turns")]
    extra_kg: Annotated[float, stated(HandTurns, "extra_kg")] = 0.0


class PhaseTable(StrictModel):
    """[[phases]]: a phase of a base that grows, begun by a flight."""

    name: Text
    date: Moment
    load: Annotated[tuple[Path, LoadPlan], named_file(read_load_plan)] | None = None
    demand_ratio: Annotated[float, stated(LoadPlan, "demand_ratio")] = 1.0
    most_kg: Annotated[float, stated(GrowthPhase, "most_kg")] | None = None

    def noun(self, load: tuple[Path, LoadPlan]) -> GrowthPhase:
        """The frozen phase; load: of the design."""
        file, plan = self.load or load
        demanding = plan.demanding(self.demand_ratio)
        return self.made(GrowthPhase, date_utc=self.date, load_file=file, load=demanding)


class GrowthTable(StrictModel):
    """[growth]: what is least of the flights, and when the last phase ends."""

    until: Moment | None = None
    least: GrowthObjective = "landed-mass"
    discount_per_year: Annotated[float, stated(Growth, "discount_per_year")] = 0.0

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """The largest flight is the same whenever it goes."""
        if given.get("least") == "largest-flight" and given.get("discount_per_year", 0) != 0:
            yield fault("discount_per_year", "stands beside least largest-flight", "0, or landed-mass")


def wrong_phases(given: Mapping[str, Any]) -> Faults:
    """Phases that don't follow each other, of one name, too many; a growth without any."""
    phases = [one for one in given.get("phases") or () if isinstance(one, Mapping)]
    growth = given.get("growth")
    if growth is not None and not phases:
        yield fault("growth", "stands without phases", "one or more [[phases]]")
    if len(phases) > MOST_PHASES:
        yield fault("phases", f"are {len(phases)}", f"up to {MOST_PHASES}")
    names = [one.get("name") for one in phases]
    for name in {name for name in names if isinstance(name, str) and names.count(name) > 1}:
        yield fault("phases", f"hold {told(name)} twice", "each name once")
    dates = [one.get("date") for one in phases]
    until = growth.get("until") if isinstance(growth, Mapping) else None
    for before, after in pairwise(dates):
        if is_later(before, after) is False:
            yield fault("phases", f"hold {str(after).strip()} after {str(before).strip()}", "dates in order")
    if dates and until is not None and is_later(dates[-1], until) is False:
        yield fault("growth", f"has until {str(until).strip()}", "a moment after the last phase's date")


def waiting_alone(plan: DesignPlan, reading: Reading) -> list[Problem]:
    """Problems of loads none of which is essential: a design must serve them all then, and its bound knows none that waits."""
    loads = [(plan.load_file, plan.load, reading.at("load"), "load")]
    loads += [
        (one.load_file, one.load, reading.at("phases", number - 1, "load"), f"[[phases]] #{number} load")
        for number, one in enumerate(plan.phases, start=1)
        if one.load_file != plan.load_file
    ]
    found = []
    for file, load, where, key in loads:
        waits = [one.name for one in load.loads if one.priority == "deferrable"]
        if waits and all(one.priority != "essential" for one in load.loads):
            wrong = f'is {file.name}, where no load is essential and "{waits[0]}" can wait'
            allowed = "loads of which one is essential at least, or none deferrable"
            hint = "essential loads are what a design must serve; all of them count where none is"
            found.append(Problem(where, key, wrong, allowed, hint))
    return found
