"""Plans of uncertain inputs for tests."""

from __future__ import annotations

from yieldsim.base.load_model import UncertainInput, UncertainPlan


def plan(*inputs: tuple[str, str, tuple[float, ...]], draws: int = 1024, seed: int = 3) -> UncertainPlan:
    return UncertainPlan(
        inputs=tuple(
            UncertainInput(what=what, distribution=kind, parameters=numbers)  # type: ignore[arg-type]
            for what, kind, numbers in inputs
        ),
        draws=draws,
        seed=seed,
    )
