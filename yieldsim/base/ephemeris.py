"""What the sky needs of opened kernels: positions, orientation, where they came from. It knows no file.

Positions are skyfield vector functions (`at(t)`) from the Solar System barycentre; an orientation has
skyfield's small frame shape: `rotation_at(t)` and `rotation_and_rate_at(t)`, matrices from the ICRF to the
body-fixed axes, rates per day.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from yieldsim.base.model import Occulter, Source


class Orientation(Protocol):
    """A turning body-fixed frame."""

    def rotation_at(self, t: Any) -> Any:
        """Matrix (3, 3[, n]) from the ICRF to the body-fixed axes."""

    def rotation_and_rate_at(self, t: Any) -> tuple[Any, Any]:
        """The matrix and its rate of change per day."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Ephemeris:
    """Positions and orientation for standing on one body during a span.

    orientation   None: turn the body by its rotation elements
    occulters     the bodies that can pass in front of the Sun, each with its position
    orbit         whose orbit sets the season
    notes         what a reader of the result should know about the choice of kernels
    """

    start_tdb_s: float
    end_tdb_s: float
    sun: Any
    body: Any
    orbit: Any
    occulters: tuple[tuple[Occulter, Any], ...] = ()
    orientation: Orientation | None = None
    sources: tuple[Source, ...] = ()
    notes: tuple[str, ...] = ()
