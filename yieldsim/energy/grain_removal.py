"""What a dust shield takes off by size of grain, for a deposit of lognormal sizes.

Dust hides light by its area, so sizes count by area: a lognormal deposit of count median d and geometric standard deviation g has
its area lognormal, too, with the median d exp(2 ln^2 g) and the same g (T. Hatch & S. P. Choate, J. Franklin Inst. 207, 369, 1929,
from memory). Sizes are kept in classes, each with its share of the area and its own removal, and each is followed on its own: what
a cycle leaves is what it takes badly, so residue grows finer and the shield worse. A fresh deposit loses the mean of r over the area;
where cycles and settling balance, a class that loses r carries T / r before each cycle, and the whole what one removal of

    1 / mean(1 / r)

would leave, which the finest tail decides: classes are narrow there, too. Published: 77.3 % of a powder of 5.8 um count median and
47.1 % of one of 5.2 um (C. E. Johnson et al., IEEE IAS 40th Annual Meeting, 2005). Size alone does not tell these two apart: the
most that any r(d) makes of two lognormals of one width g is a step's, so the pair needs ln g < ln(5.8 / 5.2) / 0.822, g < 1.14,
and powders are wider. No table is fitted to them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldsim.base.model import GrainRemoval, Shield
from yieldsim.base.numerics.vectors import FloatArray

CLASS_WIDTH = 0.25
"""In standard deviations of the logarithm: settled removals are within 1 % of an integral where the finest grains hardly go."""
TAIL = 4.0
"""Standard deviations past which a side is one class, of 3e-5 of the area."""
LEAST_SHARE = 1e-9
"""Classes between rows that nearly coincide are left out."""


@dataclass(frozen=True, slots=True, eq=False)
class SizeClasses:
    """Share of the dust's area in each class of size, finest first, and what one cycle removes of it: both (classes,)."""

    share: FloatArray
    removal: FloatArray


def area_median_um(grains: GrainRemoval) -> float:
    """Grain diameter with half of the deposit's area on either side.

    >>> grains = GrainRemoval(diameter_um=[1.0, 9.0], removal_fraction=[0.5, 0.5], median_um=5.8, geometric_sd=1.5)
    >>> round(area_median_um(grains), 2)
    8.06
    """
    return float(grains.median_um * np.exp(2.0 * np.log(grains.geometric_sd) ** 2))


def size_classes(grains: GrainRemoval) -> SizeClasses:
    """Classes between even steps of the logarithm of the diameter and the table's rows; removal is linear in it between rows,
    whose ends hold, so that of a class stands at its centroid, (phi(a) - phi(b)) / share."""
    from scipy.special import ndtr

    spread, median = np.log(grains.geometric_sd), np.log(area_median_um(grains))
    if spread == 0.0:
        return SizeClasses(np.ones(1), _removal(grains, np.array([median])))
    rows = (np.log(grains.diameter_um) - median) / spread
    even = np.arange(-TAIL, TAIL + CLASS_WIDTH / 2.0, CLASS_WIDTH)
    edges = np.concatenate([[-np.inf], np.union1d(even, rows[np.abs(rows) < TAIL]), [np.inf]])
    share = np.diff(ndtr(edges))
    told = share > LEAST_SHARE
    centroid = -np.diff(np.exp(-0.5 * edges**2))[told] / np.sqrt(2.0 * np.pi) / share[told]
    return SizeClasses(share[told], _removal(grains, median + spread * centroid))


def _removal(grains: GrainRemoval, log_diameter: FloatArray) -> FloatArray:
    """Removal at natural logarithms of diameters in um."""
    return np.asarray(np.interp(log_diameter, np.log(grains.diameter_um), grains.removal_fraction))


def removals_by_class(shield: Shield | None) -> SizeClasses:
    """The shield's classes of dust: one where no sizes are told."""
    if shield is None or shield.grains is None:
        return SizeClasses(np.ones(1), np.array([0.0 if shield is None else shield.removal]))
    return size_classes(shield.grains)


def fresh_removal(grains: GrainRemoval) -> float:
    """Share of a fresh deposit's area that one cycle removes."""
    classes = size_classes(grains)
    return float(classes.share @ classes.removal)


def settled_removal(grains: GrainRemoval) -> float:
    """The one removal that would leave as much where cycles and settling balance; 0 where a size is never removed."""
    classes = size_classes(grains)
    return float(1.0 / (classes.share / classes.removal).sum()) if (classes.removal > 0.0).all() else 0.0
