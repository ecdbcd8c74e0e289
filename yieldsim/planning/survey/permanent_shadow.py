"""Ground that no part of the Sun's disc is ever in sight of, in the span that is looked at."""

from __future__ import annotations

from typing import Any

from yieldsim.base.numerics.vectors import FloatArray


def never_lit(any_light_fraction: Any) -> Any:
    """Which cells are in shadow all the time, from the share of it that any of the disc is in sight; unknown ones are not."""
    return any_light_fraction == 0.0


def never_lit_km2(any_light_fraction: Any, area_km2: FloatArray) -> float:
    """Area of those cells, from each one's."""
    return float(area_km2[never_lit(any_light_fraction)].sum())
