"""yieldsim: the light that a fixed, fibre-coupled solar concentrator delivers at a place on another world.

The public verbs are loaded when first used, so that importing the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from yieldsim.runs.budget import budget
    from yieldsim.runs.estimate import estimate
    from yieldsim.runs.horizon import horizon
    from yieldsim.runs.orient import orient
    from yieldsim.runs.rank import rank
    from yieldsim.runs.survey import survey
    from yieldsim.runs.trace import trace
    from yieldsim.runs.tune import tune

__all__ = ["budget", "estimate", "horizon", "orient", "rank", "survey", "trace", "tune"]


def __getattr__(name: str) -> Any:
    """Load a public verb from its run, or the version from the installed package."""
    if name in __all__:
        return getattr(import_module(f"yieldsim.runs.{name}"), name)
    if name == "__version__":
        from yieldsim.files.output.provenance import package_version

        return package_version()
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """List the public verbs along with what is loaded."""
    return sorted({*globals(), *__all__, "__version__"})
