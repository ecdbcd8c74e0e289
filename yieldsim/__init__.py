"""yieldsim: the light that a fixed, fibre-coupled solar concentrator delivers at a place on another world.

The public verbs are loaded when first used, so that importing the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from yieldsim.runs.budget.run import budget
    from yieldsim.runs.estimate.run import estimate
    from yieldsim.runs.horizon.run import horizon
    from yieldsim.runs.orient.run import orient
    from yieldsim.runs.rank.run import rank
    from yieldsim.runs.survey.run import survey
    from yieldsim.runs.trace.run import trace
    from yieldsim.runs.tune.run import tune

__all__ = ["budget", "estimate", "horizon", "orient", "rank", "survey", "trace", "tune"]


def __getattr__(name: str) -> Any:
    """Load a public verb from its run, or the version from the installed package."""
    if name in __all__:
        return getattr(import_module(f"yieldsim.runs.{name}.run"), name)
    if name == "__version__":
        from yieldsim.files.output.provenance import package_version

        return package_version()
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """List the public verbs along with what is loaded."""
    return sorted({*globals(), *__all__, "__version__"})
