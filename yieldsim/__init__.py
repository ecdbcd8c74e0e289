"""yieldsim: the light that a fixed, fibre-coupled solar concentrator delivers at a place on another world.

The public verbs are loaded when first used, so that importing the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from yieldsim.runs.estimate import estimate

__all__ = ["estimate"]

_VERBS = {"estimate": "yieldsim.runs.estimate"}


def __getattr__(name: str) -> Any:
    """Load a public verb from its run, or the version from the installed package."""
    if name in _VERBS:
        return getattr(import_module(_VERBS[name]), name)
    if name == "__version__":
        from yieldsim.files.provenance import package_version

        return package_version()
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """List the public verbs along with what is loaded."""
    return sorted({*globals(), *__all__, "__version__"})
