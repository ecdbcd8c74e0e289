"""Etendue of a traced design: what the fibre could take, what the design uses, and where the rest is lost.

Every entry is an integral over the sky, A_aperture * integral of (share of a cause) * cos(incidence)
d(omega), in m2 sr; the shares of all causes add up to one, so the entries add up to the etendue of the
aperture within the traced cone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from yieldsim.base.prescription_model import Prescription
from yieldsim.optics.etendue import projected_acceptance_sr
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.acceptance_trace import Curve, Grid, table_of


@dataclass(frozen=True, slots=True)
class EtendueLedger:
    """All in m2 sr; `lost` by cause, within the cone that the curve covers."""

    limit: float
    offered: float
    used: float
    lost: tuple[tuple[str, float], ...]

    @property
    def used_fraction(self) -> float:
        """Share of what the fibre could accept that the design fills."""
        return self.used / self.limit


def fibre_limit_m2_sr(prescription: Prescription) -> float:
    """Etendue that the fibre's face accepts at most, pi NA^2 A; a numerical aperture holds the index
    already."""
    fibre = prescription.fibre
    return float(math.pi * min(fibre.numerical_aperture, fibre.core_index) ** 2 * fibre.area_m2)


def etendue_ledger(prescription: Prescription, traced: Curve | Grid) -> EtendueLedger:
    """The ledger of a traced curve or grid."""
    area = prescription.aperture_area_m2
    by_cause = [
        area * projected_acceptance_sr(table_of(traced, False, cause=cause))
        for cause in range(loss_causes.COUNT)
    ]
    lost = tuple(
        (loss_causes.NAMES[cause], value)
        for cause, value in enumerate(by_cause)
        if cause != loss_causes.DELIVERED and value > 0.0
    )
    return EtendueLedger(
        fibre_limit_m2_sr(prescription), sum(by_cause), by_cause[loss_causes.DELIVERED], lost
    )
