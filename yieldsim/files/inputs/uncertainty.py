"""The uncertainty file: inputs that are not known well, each with a distribution."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from yieldsim.base.errors import likely
from yieldsim.base.load_model import DOUBTS, MEASURED_YEAR, Distribution, UncertainInput, UncertainPlan
from yieldsim.base.model import OpticalDepthTable
from yieldsim.files.tables.lookup_tables import dated_optical_depth
from yieldsim.files.toml.context import Loaded, Reading
from yieldsim.files.toml.model import Faults, StrictModel, fault, named_file, problem, stated, told, within
from yieldsim.files.toml.parse import parse_toml

Finite = Annotated[float, within(-1.0e9, 1.0e9)]
FEWEST_DRAWS, MOST_DRAWS = 64, 65536
PARAMETERS: dict[str, tuple[str, ...]] = {
    "normal": ("mean", "sd"),
    "uniform": ("low", "high"),
    "triangular": ("low", "likely", "high"),
    "lognormal": ("median", "sigma"),
    "measured": ("table",),
}


def _what(value: object) -> str:
    if not isinstance(value, str) or value not in DOUBTS:
        raise problem(f"is {told(value)}", ", ".join(DOUBTS), likely(str(value), DOUBTS))
    return str(value)


def _draws(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not FEWEST_DRAWS <= value <= MOST_DRAWS:
        raise problem(f"is {told(value)}", f"a power of two, {FEWEST_DRAWS} to {MOST_DRAWS}")
    if value & (value - 1):
        raise problem(f"is {value}", "a power of two", f"such as {1 << value.bit_length()}")
    return value


class UncertainTable(StrictModel):
    """[[uncertain]]: one input and its distribution."""

    what: Annotated[str, BeforeValidator(_what)]
    distribution: Annotated[Distribution, Field(description=", ".join(PARAMETERS))]
    mean: Finite | None = None
    sd: Annotated[float, within(above=0.0, high=1.0e9)] | None = None
    low: Finite | None = None
    likely: Finite | None = None
    high: Finite | None = None
    median: Annotated[float, within(above=0.0, high=1.0e9)] | None = None
    sigma: Annotated[float, within(above=0.0, high=10.0)] | None = None
    table: Annotated[OpticalDepthTable, named_file(dated_optical_depth)] | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """Exactly the parameters of the distribution, in order and in reach of the physical range."""
        distribution = given.get("distribution")
        own = PARAMETERS.get(distribution) if isinstance(distribution, str) else None
        if own is None:
            return
        if (distribution == "measured") != (given.get("what") == MEASURED_YEAR):
            found = f'is "{distribution}"'
            yield fault("distribution", found, f"measured for {MEASURED_YEAR}, and for nothing else")
        for key in own:
            if key not in given:
                yield fault(key, "is missing", hint=f"{distribution} needs {', '.join(own)}")
        for key in sorted(set().union(*PARAMETERS.values()) - set(own)):
            if key in given:
                yield fault(key, f"is given for {distribution}", f"{', '.join(own)}")
        values = [given.get(key) for key in own]
        numbers = [float(v) for v in values if isinstance(v, int | float) and not isinstance(v, bool)]
        if len(numbers) < len(own):
            return
        ordered = {"uniform": numbers[0] < numbers[-1], "triangular": numbers == sorted(numbers)}
        if not ordered.get(str(distribution), True) or (
            distribution == "triangular" and numbers[0] == numbers[-1]
        ):
            yield fault(own[-1], f"is {numbers[-1]:g}", f"{' < '.join(own)}, not all the same")
        doubt = DOUBTS.get(str(given.get("what")))
        middle = numbers[1] if distribution == "triangular" else numbers[0]
        if distribution == "uniform":
            middle = 0.5 * (numbers[0] + numbers[1])
        if doubt is not None and not doubt.span[0] <= middle <= doubt.span[1]:
            allowed = f"{doubt.meaning}, {doubt.span[0]:g} to {doubt.span[1]:g}"
            yield fault(own[0], f"puts the middle at {middle:g}", allowed)

    def noun(self) -> UncertainInput:
        """The frozen input; how many measured years there are is counted where the body is known."""
        if self.table is not None:
            return UncertainInput(what=self.what, distribution="measured", parameters=(), series=self.table)
        values = (getattr(self, key) for key in PARAMETERS[self.distribution])
        return UncertainInput(
            what=self.what, distribution=self.distribution, parameters=tuple(float(value) for value in values)
        )


class UncertainFile(StrictModel):
    """An uncertainty file."""

    draws: Annotated[int, BeforeValidator(_draws)] = 1024
    seed: Annotated[int, stated(UncertainPlan, "seed")] = 1
    uncertain: list[UncertainTable] = Field(description="one [[uncertain]] for each input")

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """At least one input, none twice."""
        tables = given.get("uncertain")
        if tables == []:
            yield fault("uncertain", "is empty", "one or more inputs")
        seen: set[str] = set()
        for table in tables if isinstance(tables, list) else []:
            what = table.get("what") if isinstance(table, Mapping) else None
            if isinstance(what, str) and what in seen:
                yield fault("uncertain", f"holds {what} twice", "each input once")
            seen.add(str(what))

    def noun(self) -> UncertainPlan:
        """The frozen plan."""
        return UncertainPlan(
            inputs=tuple(table.noun() for table in self.uncertain), draws=self.draws, seed=self.seed
        )


def uncertain_of(reading: Reading) -> UncertainPlan:
    """The plan in the reading's file. Raises InputError."""
    return parse_toml(reading, UncertainFile, "uncertainty").noun()


def read_uncertain(path: Path | str) -> Loaded[UncertainPlan]:
    """An uncertainty file. Raises InputError with every problem of it."""
    reading = Reading(Path(path))
    return reading.finished(uncertain_of(reading))


def uncertain_words(reading: Reading) -> str:
    """One line about an uncertainty file."""
    plan = uncertain_of(reading)
    names = ", ".join(one.what for one in plan.inputs)
    return f"uncertainty of {len(plan.inputs)} inputs ({names}), {plan.draws} draws"
