"""The design file: candidate sites, masts and collectors, the load they must serve, and what everything weighs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from itertools import product
from os.path import normpath
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from yieldsim.base.errors import InputError, Problem, likely
from yieldsim.base.load_model import LoadPlan, Storage, UncertainPlan
from yieldsim.base.model import Mount, PrescriptionAcceptance, Site
from yieldsim.base.plans.design import (
    MOST_COMBINATIONS,
    CollectorChoice,
    Confidence,
    DesignObjective,
    DesignPlan,
    FibreRun,
    Growth,
    HandTurns,
    Masses,
    SiteChoice,
    TrackerPrice,
    VariedKey,
)
from yieldsim.base.ranges import Range, range_of
from yieldsim.files.inputs.collector import collector_of
from yieldsim.files.inputs.design_tables import (
    GrowthTable,
    HandTurnsTable,
    Kilograms,
    LinkTable,
    PhaseTable,
    read_load_plan,
    read_site_choice,
    waiting_alone,
    wrong_phases,
)
from yieldsim.files.inputs.uncertainty import uncertain_of
from yieldsim.files.toml.context import Loaded, Reading
from yieldsim.files.toml.model import Faults, StrictModel, Text, fault, named_file, problem, stated, told
from yieldsim.files.toml.parse import parse_toml


def _collector(reading: Reading) -> CollectorChoice:
    return CollectorChoice(file=reading.path, noun=collector_of(reading))


def _numbers(value: object, key: str, noun: type | None, field: str) -> tuple[float, ...]:
    """A list of numbers in a field's range, all different."""
    allowed = Range() if noun is None else range_of(noun, field)
    if not isinstance(value, list | tuple):
        raise problem(f"is {told(value)}", f"a list of numbers, {allowed.words}")
    for one in value:
        if not allowed.holds(one):
            raise problem(f"holds {told(one)}", allowed.words or "numbers")
    numbers = tuple(float(one) for one in value)
    if len(set(numbers)) < len(numbers):
        raise problem(f"hold {key} twice", "each once")
    return numbers


def as_mast_heights(value: object) -> tuple[float, ...]:
    """Heights of masts, all different."""
    if value == []:
        raise problem("is empty", "one or more heights", "without the key each site has its own")
    return _numbers(value, "a height", Site, "mast_height_m")


def as_capacities(value: object) -> tuple[float, ...]:
    """Capacities of stores, in order."""
    return tuple(sorted(_numbers(value, "a capacity", Storage, "capacity_kwh")))


def as_facings(value: object) -> tuple[tuple[float, float, float], ...]:
    """Facings: tilt and azimuth, or tilt, azimuth and roll."""
    if not isinstance(value, list | tuple):
        raise problem(f"is {told(value)}", "a list of [tilt, azimuth] or [tilt, azimuth, roll], degrees")
    if value == []:
        raise problem("is empty", "one or more orientations", "without the key units may face anywhere")
    found = []
    for one in value:
        if not isinstance(one, list | tuple) or len(one) not in (2, 3):
            raise problem(f"holds {told(one)}", "[tilt, azimuth] or [tilt, azimuth, roll], degrees")
        for angle, key in zip(one, ("tilt_deg", "azimuth_deg", "roll_deg"), strict=False):
            allowed = range_of(Mount, key)
            if not allowed.holds(angle):
                raise problem(f"holds a {key.removesuffix('_deg')} of {told(angle)}", allowed.words)
        found.append((float(one[0]), float(one[1]), float(one[2]) if len(one) == 3 else 0.0))
    # 0 and 360 are one direction
    if len({(tilt, azimuth % 360.0, roll % 360.0) for tilt, azimuth, roll in found}) < len(found):
        raise problem("hold an orientation twice", "each once")
    return tuple(found)


class MassesTable(StrictModel):
    """[masses]: what each part weighs."""

    unit_kg: Annotated[float, stated(Masses, "unit_kg")] | None = None
    shield_kg: Kilograms = 0.0
    mast_kg_per_m: Kilograms = 0.0
    fibre_kg_per_m: Kilograms = 0.0
    store_kg_per_kwh: Annotated[float, stated(Masses, "store_kg_per_kwh")] | None = None
    converter_kg: Kilograms = 0.0
    fixed_kg: Kilograms = 0.0


class FibreRunTable(StrictModel):
    """[fibre_run]: how long a unit's fibre is by the mast."""

    length_m: Annotated[float, stated(FibreRun, "length_m")]
    per_mast_m: Annotated[float, stated(FibreRun, "per_mast_m")] = 1.0


class StoreTable(StrictModel):
    """[store]: which capacities there may be."""

    choices_kwh: Annotated[tuple[float, ...], BeforeValidator(as_capacities)] = ()
    most_kwh: Annotated[float, stated(DesignPlan, "most_store_kwh")] | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """One of the two."""
        if "choices_kwh" in given and "most_kwh" in given:
            yield fault("most_kwh", "stands beside choices_kwh", "one of them")
        if given.get("choices_kwh") == []:
            yield fault("choices_kwh", "is empty", "one or more capacities")


class TrackerTable(StrictModel):
    """[tracker]: a mount that follows the Sun, to compare with."""

    extra_kg: Annotated[float, stated(TrackerPrice, "extra_kg")] = 0.0
    downtime_fraction: Annotated[float, stated(TrackerPrice, "downtime_fraction")] = 0.0
    stop_hours: Annotated[float, stated(TrackerPrice, "stop_hours")] = 0.0


def as_values(value: object) -> tuple[float, ...]:
    """Values of a varied key, all different."""
    if value == []:
        raise problem("is empty", "one or more numbers")
    return _numbers(value, "a value", None, "")


class VaryTable(StrictModel):
    """[[vary]]: a value of a collector's prescription."""

    collector: Text
    keys: Text
    values: Annotated[tuple[float, ...], BeforeValidator(as_values)]


class DesignFile(StrictModel):
    """A design file."""

    name: Text | None = None
    sites: list[Annotated[SiteChoice, named_file(read_site_choice)]] = Field(
        description="a list of site files"
    )
    mast_heights_m: Annotated[tuple[float, ...], BeforeValidator(as_mast_heights)] = ()
    collectors: list[Annotated[CollectorChoice, named_file(_collector)]] = Field(
        description="a list of collector files"
    )
    load: Annotated[tuple[Path, LoadPlan], named_file(read_load_plan)] = Field(description="the load file")
    uncertain: Annotated[UncertainPlan, named_file(uncertain_of)] | None = None
    objective: DesignObjective = "mass"
    confidence: Confidence = "nominal"
    facings: Annotated[tuple[tuple[float, float, float], ...], BeforeValidator(as_facings)] = ()
    most_units: Annotated[int, stated(DesignPlan, "most_units")] = 1000
    masses: MassesTable = MassesTable()
    fibre_run: FibreRunTable | None = None
    store: StoreTable = StoreTable()
    vary: list[VaryTable] = Field(default_factory=list)
    tracker: TrackerTable | None = None
    link: LinkTable | None = None
    hand_turns: HandTurnsTable | None = None
    phases: list[PhaseTable] = Field(default_factory=list)
    growth: GrowthTable = GrowthTable()

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """Something to choose from, each file once, not too much of it."""
        if given.get("confidence") == "P90" and "uncertain" not in given:
            yield fault("uncertain", "is missing", hint="confidence P90 asks for an uncertainty file")
        if given.get("objective") == "mass-per-kwh" and "most_units" not in given:
            hint = "more units always deliver more for each kilogram: all of them are used"
            yield fault("most_units", "is missing", "a number of units beside mass-per-kwh", hint)
        sizes = 1
        for key in ("sites", "collectors"):
            named = given.get(key)
            if not isinstance(named, list):
                continue
            if not named:
                yield fault(key, "is empty", "one or more files")
            words = [normpath(one) for one in named if isinstance(one, str)]
            for word in {word for word in words if words.count(word) > 1}:
                yield fault(key, f"hold {told(word)} twice", "each file once")
            sizes *= max(len(named), 1)
        masts = given.get("mast_heights_m")
        sizes *= max(len(masts), 1) if isinstance(masts, list) else 1
        if sizes > MOST_COMBINATIONS:
            yield fault("", f"makes {sizes} combinations", f"up to {MOST_COMBINATIONS}")
        yield from wrong_phases(given)

    def noun(self, reading: Reading) -> DesignPlan:
        """The frozen plan."""
        return self.made(
            DesignPlan,
            name=self.name or reading.path.name.removesuffix(".toml").removesuffix(".design"),
            load_file=self.load[0],
            load=self.load[1],
            masses=self.masses.made(Masses),
            fibre_run=self.fibre_run.made(FibreRun) if self.fibre_run else None,
            store_choices_kwh=self.store.choices_kwh,
            most_store_kwh=self.store.most_kwh,
            vary=tuple(one.made(VariedKey) for one in self.vary),
            tracker=self.tracker.made(TrackerPrice) if self.tracker else None,
            hand_turns=self.hand_turns.made(HandTurns) if self.hand_turns else None,
            phases=tuple(one.noun(self.load) for one in self.phases),
            growth=self.growth.made(Growth, until_utc=self.growth.until),
        )


def design_of(reading: Reading) -> DesignPlan:
    """The plan in the reading's file. Raises InputError."""
    plan = parse_toml(reading, DesignFile, "design").noun(reading)
    reading.problems.extend(one for one in _unweighed(plan, reading) if one not in reading.problems)
    return plan


def _unweighed(plan: DesignPlan, reading: Reading) -> list[Any]:
    """Problems of masses that neither this file nor those it names state."""
    found = []
    if plan.masses.unit_kg is None:
        found += [
            Problem(
                reading.at("masses"),
                "[masses] unit_kg",
                "is missing",
                hint=f"{one.file.name} has no mass_kg either",
            )
            for one in plan.collectors
            if one.noun.mass_kg is None
        ][:1]
    found += _wrongly_varied(plan, reading) + _wrongly_linked(plan, reading) + waiting_alone(plan, reading)
    found += [
        Problem(
            reading.at("phases", number - 1, "load"),
            f"[[phases]] #{number} load",
            f"has another [storage] than {plan.load_file.name}",
            "the same but for capacity_kwh",
            "stores that have landed go on in later phases",
        )
        for number, one in enumerate(plan.phases, start=1)
        if _without_capacity(one.load) != _without_capacity(plan.load)
    ]
    store = plan.load.storage
    if plan.masses.store_kg_per_kwh is None and store is not None and store.mass_kg_per_kwh is None:
        hint = f"{plan.load_file.name} has no mass_kg_per_kwh in [storage] either"
        found.append(Problem(reading.at("masses"), "[masses] store_kg_per_kwh", "is missing", hint=hint))
    if store is None and (plan.store_choices_kwh or plan.most_store_kwh is not None):
        hint = f"{plan.load_file.name} has no [storage]: add one, its capacity is chosen here"
        found.append(Problem(reading.at("store"), "[store]", "is given for loads without a store", hint=hint))
    return found


def _wrongly_linked(plan: DesignPlan, reading: Reading) -> list[Problem]:
    """Problems of [link]: another world, or a cable for loads that ask for light or heat."""
    link = plan.link
    if link is None:
        return []
    found = []
    other = [one.noun.body.name for one in plan.sites if one.noun.body.name != link.site.noun.body.name]
    if other:
        allowed = f"a place on {other[0]}"
        found.append(
            Problem(reading.at("link", "site"), "[link] site", f"is on {link.site.noun.body.name}", allowed)
        )
    lit = [load.name for load in plan.load.loads if load.kind != "electric"]
    if link.kind == "cable" and lit:
        hint = 'kind = "fibre" brings light'
        found.append(
            Problem(
                reading.at("link", "kind"),
                "[link] kind",
                f'is "cable" for "{lit[0]}"',
                "electric loads alone",
                hint,
            )
        )
    if plan.objective != "mass":
        found.append(Problem(reading.at("link"), "[link]", "is given", 'objective "mass" beside it'))
    return found


def _without_capacity(load: LoadPlan) -> Storage | None:
    return None if load.storage is None else replace(load.storage, capacity_kwh=0.0)


def _wrongly_varied(plan: DesignPlan, reading: Reading) -> list[Problem]:
    """Problems of [[vary]]: collectors that are not there, or have no prescription; keys and values that theirs does not take."""
    known = {one.file.name: one.noun for one in plan.collectors}
    found = []
    named: dict[str, list[tuple[int, VariedKey]]] = {}
    for number, one in enumerate(plan.vary):
        where, key = reading.at("vary", number, "collector"), f"[[vary]] #{number + 1} collector"
        if one.collector not in known:
            allowed = ", ".join(known)
            found.append(Problem(where, key, f'is "{one.collector}"', allowed, likely(one.collector, known)))
        elif not isinstance(known[one.collector].acceptance, PrescriptionAcceptance):
            hint = "its [acceptance] names a table"
            found.append(Problem(where, key, f'is "{one.collector}"', "one with a prescription", hint))
        else:
            named.setdefault(one.collector, []).append((number, one))
    for collector, varied in named.items():
        acceptance = known[collector].acceptance
        assert isinstance(acceptance, PrescriptionAcceptance)
        found += _wrong_variants(Path(acceptance.prescription), varied, reading)
    return found


def _wrong_variants(path: Path, varied: list[tuple[int, VariedKey]], reading: Reading) -> list[Problem]:
    """Problems of what is varied in one prescription: keys it does not have, keys told twice, values that make none."""
    from yieldsim.files.prescription.edit import KeyPath, linked_keys, read_source, with_value
    from yieldsim.files.prescription.read import prescription_from

    _, data = read_source(path)
    found: list[Problem] = []
    keys: list[list[tuple[KeyPath, float]]] = []
    for number, one in varied:
        where, key = reading.at("vary", number, "keys"), f"[[vary]] #{number + 1} keys"
        try:
            linked = linked_keys(one.keys, data)
        except InputError as error:
            found += [Problem(where, key, fault.found, fault.allowed, fault.hint) for fault in error.problems]
            continue
        own = [name for name, _ in linked]
        before = {name for some in keys for name, _ in some}
        found += [
            Problem(where, key, f"name {'.'.join(name)} twice", "each key once")
            for name in dict.fromkeys(own)
            if name in before or own.count(name) > 1
        ]
        keys.append(linked)
    if found or math.prod(len(one.values) for _, one in varied) > MOST_COMBINATIONS:
        return found
    last, told_of = varied[-1][0], set[str]()
    for values in product(*(one.values for _, one in varied)):
        changed: dict[str, Any] = data
        for linked, value in zip(keys, values, strict=True):
            for name, factor in linked:
                changed = with_value(changed, name, factor * value)
        words = ", ".join(f"{one.keys} {value:g}" for (_, one), value in zip(varied, values, strict=True))
        try:
            prescription_from(changed, path)
        except InputError as error:
            where, key = reading.at("vary", last, "values"), f"[[vary]] #{last + 1} values"
            for fault in error.problems:
                wrong = f"{fault.key} {fault.found}"
                if wrong not in told_of:
                    told_of.add(wrong)
                    words_of = f"make of {path.name} with {words}: {wrong}"
                    found.append(Problem(where, key, words_of, fault.allowed, fault.hint))
    return found


def read_design(path: Path | str) -> Loaded[DesignPlan]:
    """A design file with all files that it names. Raises InputError with every problem of all of them."""
    reading = Reading(Path(path))
    return reading.finished(design_of(reading))


def design_words(reading: Reading) -> str:
    """One line about a design file."""
    plan = design_of(reading)
    choices = (
        (len(plan.sites), "site"),
        (len(plan.mast_heights_m) or 1, "mast"),
        (len(plan.collectors), "collector"),
    )
    parts = [
        f'design "{plan.name}"',
        " x ".join(f"{count} {word}{'s' * (count > 1)}" for count, word in choices),
        f'load "{plan.load.name}" at {plan.load.reliability:.4g} of {plan.load.reliability_of}',
        f"least {plan.objective}",
    ]
    if plan.phases:
        parts.append(f"{len(plan.phases)} phases from {plan.phases[0].date_utc[:10]} for growth")
    return ", ".join(parts)
