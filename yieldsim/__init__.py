"""yieldsim: the light that a fixed, fibre-coupled solar concentrator delivers at a place on another world.

Verbs take files or nouns and give results; readers make nouns of files. Everything is loaded when first used, so that importing
the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from yieldsim.base.errors import CannotCompute, DataMissing, InputError, WriteFailed, YieldsimError
    from yieldsim.base.load_model import Load, LoadPlan, Schedule, Storage, UncertainPlan
    from yieldsim.base.model import (
        AttenuationTable,
        BiaxialAcceptance,
        Body,
        CleaningEvent,
        Collector,
        Dust,
        Fibre,
        HorizonMask,
        Mount,
        OpticalDepthTable,
        PrescriptionAcceptance,
        RoundAcceptance,
        Shield,
        Site,
        TerrainHorizon,
    )
    from yieldsim.base.plans.design import DesignPlan
    from yieldsim.runs.budget.run import budget
    from yieldsim.runs.design.run import design
    from yieldsim.runs.estimate.run import estimate
    from yieldsim.runs.growth.run import growth
    from yieldsim.runs.horizon.run import horizon
    from yieldsim.runs.open_estimate import open_estimate
    from yieldsim.runs.open_inputs import read_collector, read_design, read_load, read_site, read_uncertain
    from yieldsim.runs.orient.run import orient
    from yieldsim.runs.page.run import page
    from yieldsim.runs.rank.run import rank
    from yieldsim.runs.survey.options import SurveyOptions
    from yieldsim.runs.survey.run import survey
    from yieldsim.runs.trace.run import trace
    from yieldsim.runs.tune.run import tune

__all__ = [
    "AttenuationTable",
    "BiaxialAcceptance",
    "Body",
    "CannotCompute",
    "CleaningEvent",
    "Collector",
    "DataMissing",
    "DesignPlan",
    "Dust",
    "Fibre",
    "HorizonMask",
    "InputError",
    "Load",
    "LoadPlan",
    "Mount",
    "OpticalDepthTable",
    "PrescriptionAcceptance",
    "RoundAcceptance",
    "Schedule",
    "Shield",
    "Site",
    "Storage",
    "SurveyOptions",
    "TerrainHorizon",
    "UncertainPlan",
    "WriteFailed",
    "YieldsimError",
    "budget",
    "design",
    "estimate",
    "growth",
    "horizon",
    "open_estimate",
    "orient",
    "page",
    "rank",
    "read_collector",
    "read_design",
    "read_load",
    "read_site",
    "read_uncertain",
    "survey",
    "trace",
    "tune",
]

VERBS = (
    "estimate",
    "orient",
    "rank",
    "horizon",
    "survey",
    "trace",
    "tune",
    "budget",
    "page",
    "design",
    "growth",
)
READERS = ("read_collector", "read_design", "read_load", "read_site", "read_uncertain")
ERRORS = ("CannotCompute", "DataMissing", "InputError", "WriteFailed", "YieldsimError")
LOADS = ("Load", "LoadPlan", "Schedule", "Storage", "UncertainPlan")


def _home(name: str) -> str:
    """The module that a public name comes from."""
    if name in VERBS:
        return f"yieldsim.runs.{name}.run"
    if name in READERS:
        return "yieldsim.runs.open_inputs"
    if name in ERRORS:
        return "yieldsim.base.errors"
    if name in LOADS:
        return "yieldsim.base.load_model"
    if name == "DesignPlan":
        return "yieldsim.base.plans.design"
    if name == "open_estimate":
        return "yieldsim.runs.open_estimate"
    return "yieldsim.runs.survey.options" if name == "SurveyOptions" else "yieldsim.base.model"


def __getattr__(name: str) -> Any:
    """Load a public name from its home, or the version from the installed package."""
    if name in __all__:
        return getattr(import_module(_home(name)), name)
    if name == "__version__":
        from yieldsim.files.output.provenance import package_version

        return package_version()
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """List the public names along with what is loaded."""
    return sorted({*globals(), *__all__, "__version__"})
