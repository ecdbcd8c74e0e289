"""Nouns that a program made itself: refused for what their files would be refused for, every problem at once.

Types and ranges are read off the nouns' annotations; rules between keys are those of the file models. A field
left at its default is not stated, as a key left out of a file.
"""

from __future__ import annotations

import dataclasses
import math
import types
from collections.abc import Callable, Iterator, Mapping
from itertools import islice
from typing import Any, Literal, Union, get_args, get_origin

import numpy as np

from yieldsim.base.errors import Problem
from yieldsim.base.load_model import Life, Load, LoadPlan, Schedule, Storage
from yieldsim.base.model import (
    AcceptanceBands,
    AttenuationTable,
    BiaxialAcceptance,
    Body,
    CleaningEvent,
    Collector,
    Fibre,
    GrainRemoval,
    HorizonMask,
    OpticalDepthTable,
    RoundAcceptance,
    Shield,
    Site,
)
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.radiation_model import Radiation
from yieldsim.base.ranges import Range, field_types, range_in
from yieldsim.base.thermal_model import FibreHeat, FunnelHeat, GroundTable, Insulation, JointHeat
from yieldsim.files.inputs.body import BodyFile, RotationTable
from yieldsim.files.inputs.collector import FibreTable, ShieldTable
from yieldsim.files.inputs.load import LifeTable, StorageTable, column_word
from yieldsim.files.inputs.radiation import RadiationTable
from yieldsim.files.inputs.thermal import FibreHeatTable, FunnelHeatTable, InsulationTable, JointHeatTable
from yieldsim.files.tables.band_columns import CONTRADICTION_HINT, contradictions
from yieldsim.files.text.timestamps import utc_iso

Fault = tuple[str, str, str, str]
"""Key, what was found, what is allowed, a hint."""


def noun_problems(noun: Any) -> Iterator[Problem]:
    """What is wrong with a site, collector, load plan or uncertainty plan; nothing where it is none of them."""
    if not dataclasses.is_dataclass(noun):
        return
    where = str(getattr(noun, "name", type(noun).__name__))
    for key, found, allowed, hint in _faults(noun, ""):
        yield Problem(where, key, found, allowed, hint)


def with_plain_numbers(value: Any) -> Any:
    """A noun, or a part of one, with Python's numbers where a program put scalars of NumPy, which JSON does not take."""
    if isinstance(value, np.generic) and value.dtype.kind in "biuf":
        return value.item()
    if isinstance(value, tuple):
        parts = tuple(with_plain_numbers(part) for part in value)
        return value if all(a is b for a, b in zip(parts, value, strict=True)) else parts
    if not dataclasses.is_dataclass(value) or isinstance(value, type):
        return value
    held = {field.name: getattr(value, field.name) for field in dataclasses.fields(value) if field.init}
    plain = {name: part for name, was in held.items() if (part := with_plain_numbers(was)) is not was}
    return dataclasses.replace(value, **plain) if plain else value


# ---------------------------------------------------------------- field by field


def _faults(noun: Any, before: str) -> Iterator[Fault]:
    """The faults of a noun and of the nouns in it; rules between keys once its fields are right."""
    kind_of_noun: Any = type(noun)
    own: list[Fault] = []
    for field in dataclasses.fields(noun):
        value = getattr(noun, field.name)
        if field.default is not dataclasses.MISSING and _is_same(value, field.default):
            continue
        own.extend(_of_value(value, field_types(kind_of_noun)[field.name], f"{before}{field.name}"))
    yield from own
    if not own:
        for kind, rule in RULES.items():
            if isinstance(noun, kind):
                yield from _under(before, rule(noun))


def _under(before: str, faults: Iterator[Fault]) -> Iterator[Fault]:
    for key, found, allowed, hint in faults:
        yield f"{before}{key}", found, allowed, hint


def _is_same(value: Any, default: Any) -> bool:
    return value is default or (
        type(value) is type(default) and not np.ndim(value) and bool(value == default)
    )


def _of_value(value: Any, annotation: Any, key: str) -> Iterator[Fault]:
    """The faults of one value against its annotation."""
    choices = _choices(annotation)
    plain = [_plain(choice) for choice in choices]
    if value is None and type(None) in plain:
        return
    if dataclasses.is_dataclass(value):
        if type(value) in plain:
            yield from _faults(value, f"{key}.")
            return
    elif any(isinstance(choice, type) and dataclasses.is_dataclass(choice) for choice in plain) and not any(
        choice in (float, int) for choice in plain
    ):
        pass
    else:
        for choice, kind in zip(choices, plain, strict=True):
            if kind is not type(None) and not dataclasses.is_dataclass(kind):
                yield from _of_plain(value, choice, kind, key)
                return
    names = [getattr(choice, "__name__", str(choice)) for choice in plain if choice is not type(None)]
    hint = "take that of a site that read_site has read" if Body in plain else ""
    yield key, f"is {value!r:.60}", f"a {' or '.join(names)}", hint


def _of_plain(value: Any, choice: Any, kind: Any, key: str) -> Iterator[Fault]:
    allowed = range_in(choice) or Range()
    if get_origin(kind) is Literal:
        if value not in get_args(kind):
            yield key, f"is {value!r}", ", ".join(get_args(kind)), ""
    elif get_origin(kind) is tuple:
        yield from _of_tuple(value, get_args(kind), key)
    elif kind is bool:
        if not isinstance(value, bool):
            yield key, f"is {value!r}", "True or False", ""
    elif kind is str:
        if not isinstance(value, str) or not value.strip() or not value.isprintable():
            yield key, f"is {value!r}", "visible text", ""
    elif kind in (float, int):
        if not dataclasses.replace(allowed, whole=kind is int).holds(value):
            words = allowed.words or ("a whole number" if kind is int else "a finite number")
            yield key, f"is {value!r:.60}", words, allowed.hint(value)
    else:
        yield from _of_array(value, allowed, key)


def _of_tuple(value: Any, inner: tuple[Any, ...], key: str) -> Iterator[Fault]:
    if not isinstance(value, tuple):
        yield key, f"is {value!r:.60}", "a tuple", ""
        return
    endless = len(inner) == 2 and inner[1] is Ellipsis
    if not endless and len(value) != len(inner):
        yield key, f"holds {len(value)} values", f"{len(inner)}", ""
        return
    for number, one in enumerate(value, start=1):
        kind = inner[0] if endless else inner[number - 1]
        for place, found, allowed, hint in _of_value(one, kind, f"{key} #{number}"):
            yield place.replace(f"#{number}.", f"#{number} ", 1), found, allowed, hint


def _of_array(value: Any, allowed: Range, key: str) -> Iterator[Fault]:
    """An array of finite numbers in a range."""
    if not isinstance(value, np.ndarray) or value.size == 0:
        yield (
            key,
            "is empty" if isinstance(value, np.ndarray) else f"is {value!r:.60}",
            "an array of numbers",
            "",
        )
        return
    wrong = [number for number in value.ravel() if not allowed.holds(float(number))]
    if wrong:
        yield key, f"holds {wrong[0]:g}", allowed.words or "finite numbers", allowed.hint(float(wrong[0]))
    elif allowed.increases and (value.ndim != 1 or (np.diff(value) <= 0.0).any()):
        yield key, "doesn't increase", "one row of numbers, each more than the one before", ""


def _choices(annotation: Any) -> tuple[Any, ...]:
    return get_args(annotation) if get_origin(annotation) in (Union, types.UnionType) else (annotation,)


def _plain(annotation: Any) -> Any:
    return annotation.__origin__ if hasattr(annotation, "__metadata__") else annotation


# ---------------------------------------------------------------- between fields


def _by_file(model: Any, given: Mapping[str, Any]) -> Iterator[Fault]:
    """The faults that the model of the noun's table finds between its keys."""
    for key, error in model.together({name: value for name, value in given.items() if value is not None}):
        words = error.context or {}
        yield key, str(words["found"]), str(words["allowed"]), str(words["hint"])


def _shallow(noun: Any) -> dict[str, Any]:
    """A noun's fields without those left at their defaults."""
    return {
        field.name: value
        for field in dataclasses.fields(noun)
        if not _is_same(value := getattr(noun, field.name), field.default)
    }


def _as_long(*pairs: tuple[str, Any, int]) -> Iterator[Fault]:
    for key, array, length in pairs:
        if array.shape != (length,):
            yield key, f"has the shape {array.shape}", f"({length},), as many as the first column", ""


def _fibre(fibre: Fibre) -> Iterator[Fault]:
    given = _shallow(fibre)
    given.pop("attenuation", None)
    yield from _by_file(FibreTable, {**given, "attenuation_db_per_km": 0.0})


def _body(body: Body) -> Iterator[Fault]:
    turning = {key: _lists(value) for key, value in dataclasses.asdict(body.rotation).items()}
    yield from _under("rotation.", _by_file(RotationTable, turning))
    yield from _by_file(BodyFile, {**_shallow(body), "rotation": turning})


def _lists(value: Any) -> Any:
    return [_lists(one) for one in value] if isinstance(value, tuple) else value


def _site(site: Site) -> Iterator[Fault]:
    if site.optical_depth is not None and site.body.atmosphere_scale_height_km is None:
        yield "optical_depth", f"is given, but {site.body.name} has no atmosphere", "", "leave it out"


def _collector(collector: Collector) -> Iterator[Fault]:
    if not collector.mounts:
        yield "mounts", "is empty", "one or more mounts", ""
    if collector.thermal is not None and collector.fibre is None:
        yield "thermal", "stands without a fibre", "", "its parts are funnel, joint and fibre"


def _round(table: RoundAcceptance) -> Iterator[Fault]:
    yield from _as_long(("acceptance_fraction", table.acceptance_fraction, len(table.incidence_deg)))
    if table.incidence_deg[0] != 0.0 or len(table.incidence_deg) < 2:
        yield "incidence_deg", f"begins at {table.incidence_deg[0]:g}", "two or more angles, the first 0", ""
    yield from _bands(table.bands, table.acceptance_fraction)


def _biaxial(table: BiaxialAcceptance) -> Iterator[Fault]:
    shape = (len(table.transverse_deg), len(table.longitudinal_deg))
    if table.acceptance_fraction.shape != shape:
        found = f"has the shape {table.acceptance_fraction.shape}"
        yield "acceptance_fraction", found, f"{shape}: transverse, longitudinal", ""
    for key in ("transverse_deg", "longitudinal_deg"):
        angles = getattr(table, key)
        if len(angles) < 2 or angles[0] > 0.0:
            yield key, f"begins at {angles[0]:g}", "two or more angles, the first 0 or below", ""
    yield from _bands(table.bands, table.acceptance_fraction)


def _bands(bands: AcceptanceBands | None, acceptance: FloatArray) -> Iterator[Fault]:
    """Faults of a table's bands of wavelength."""
    if bands is None:
        return
    ends, shares = bands.wavelength_nm, bands.acceptance_fraction
    if ends.ndim != 2 or ends.shape[1] != 2 or shares.shape != (len(ends), *acceptance.shape):
        found = f"have the shapes {ends.shape} and {shares.shape}"
        yield "bands", found, f"(bands, 2) and (bands, *{acceptance.shape})", ""
        return
    if not (np.diff(ends.ravel()) >= 0.0).all() or not (ends[:, 0] < ends[:, 1]).all():
        yield "bands.wavelength_nm", "overlap or fall", "bands side by side, increasing", ""
        return
    for row, words in islice(contradictions(bands, acceptance), 1):
        yield f"acceptance_fraction[{row}]", words, "", CONTRADICTION_HINT


def _event(event: CleaningEvent) -> Iterator[Fault]:
    yield from _moment("time_utc", event.time_utc)


def _moment(key: str, text: str) -> Iterator[Fault]:
    try:
        utc_iso(text)
    except ValueError as error:
        yield key, f'is "{text}"', str(error), ""


def _life(life: Life) -> Iterator[Fault]:
    given = _shallow(life)
    if "visit_every_days" in given:
        given["visit_removes"] = life.visit_removes
    yield from _by_file(LifeTable, given)
    for number, outage in enumerate(life.shield_outages, start=1):
        ends = [("fails_utc", outage.fails_utc), ("repaired_utc", outage.repaired_utc)]
        for key, text in ends:
            if text is not None:
                yield from _moment(f"shield_outages #{number} {key}", text)


def _load(load: Load) -> Iterator[Fault]:
    if load.priority == "deferrable" and load.window_hours <= 0.0:
        yield (
            "window_hours",
            f"is {load.window_hours:g}",
            "more than 0",
            "how long can a deferrable load wait?",
        )


def _schedule(schedule: Schedule) -> Iterator[Fault]:
    for key, values, low, high in (
        ("windows", [hour for window in schedule.windows for hour in window], 0.0, 24.0),
        ("weekdays", list(schedule.weekdays), 0, 6),
        ("mission_days", [day for days in schedule.mission_days for day in days], 1, math.inf),
        ("monthly_factors", list(schedule.monthly_factors), 0.0, math.inf),
    ):
        bad = [one for one in values if not low <= one <= high]
        if bad:
            yield key, f"holds {bad[0]:g}", Range(low, high).words, ""
    if schedule.monthly_factors and len(schedule.monthly_factors) != 12:
        yield "monthly_factors", f"holds {len(schedule.monthly_factors)}", "12 factors", ""


def _plan(plan: LoadPlan) -> Iterator[Fault]:
    if not plan.loads:
        yield "loads", "is empty", "one or more loads", ""
    words = [column_word(load.name) for load in plan.loads]
    if len(set(words)) < len(words):
        yield "loads", "hold one name twice", "names that differ in a letter or digit", ""


RULES: dict[type, Callable[[Any], Iterator[Fault]]] = {
    Body: _body,
    Site: _site,
    CleaningEvent: _event,
    HorizonMask: lambda t: _as_long(("elevation_deg", t.elevation_deg, len(t.azimuth_deg))),
    OpticalDepthTable: lambda t: _as_long(("optical_depth", t.optical_depth, len(t.x))),
    AttenuationTable: lambda t: _as_long(
        ("attenuation_db_per_km", t.attenuation_db_per_km, len(t.wavelength_nm))
    ),
    Collector: _collector,
    RoundAcceptance: _round,
    BiaxialAcceptance: _biaxial,
    Shield: lambda shield: _by_file(ShieldTable, _shallow(shield)),
    Fibre: _fibre,
    Storage: lambda storage: _by_file(StorageTable, _shallow(storage)),
    Life: _life,
    Load: _load,
    Schedule: _schedule,
    LoadPlan: _plan,
    GrainRemoval: lambda t: _as_long(("removal_fraction", t.removal_fraction, len(t.diameter_um))),
    GroundTable: lambda t: _as_long(("temperature_k", t.temperature_k, len(t.local_true_solar_time_hours))),
    Radiation: lambda noun: _by_file(RadiationTable, _shallow(noun)),
    Insulation: lambda noun: _by_file(InsulationTable, _shallow(noun)),
    FibreHeat: lambda noun: _by_file(FibreHeatTable, _shallow(noun)),
    FunnelHeat: lambda noun: _by_file(FunnelHeatTable, _shallow(noun)),
    JointHeat: lambda noun: _by_file(JointHeatTable, _shallow(noun)),
}
"""Rules between the fields of a noun."""
