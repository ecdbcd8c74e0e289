"""Dust that settles by tilt: the light of a facing as a function of one number, its deposition rate.

An aperture of deposition rate r (0..1, `energy.soiling.deposition_rate`) carries r times the dust of a level
one at every moment, for loads grow by r and removals take shares. What passes, f(r D), is smooth in r, so a
few rates serve all: a sum over the run with the weight f(r D) is interpolated between sums with f(r_k D) by
the polynomial through Chebyshev-Lobatto points r_k. The number of points is raised until the interpolation is
within ERROR for every load of the run. A floor on the clean fraction makes a kink, which polynomials can't
follow; then straight lines between MOST_RATES even rates are used, and `error` says what they cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldsim.base.constants import SECONDS_PER_DAY
from yieldsim.base.model import Dust
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy import soiling

ERROR = 1e-4
POINT_COUNTS = (2, 3, 4, 5, 7, 9, 13)
MOST_RATES = 33


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DustRates:
    """Deposition rates at which sums are kept.

    dust     the site's; None: no dust
    rates    (rates,)  increasing; one rate where the tilt does not matter
    by_tilt  whether a facing's tilt changes its dust
    error    largest error of the interpolated clean fraction: of any load for polynomials, of the mean over
        evenly spread
             loads for straight lines
    """

    dust: Dust | None
    rates: FloatArray
    by_tilt: bool
    polynomial: bool
    error: float

    @classmethod
    def none(cls) -> DustRates:
        """No dust."""
        return cls(dust=None, rates=np.ones(1), by_tilt=False, polynomial=True, error=0.0)

    @classmethod
    def for_run(cls, dust: Dust | None, level: soiling.DustHistory | None, end_tdb_s: float) -> DustRates:
        """The fewest rates that serve every load of a run; `level` is the history of a level aperture."""
        if dust is None or level is None:
            return cls.none()
        by_tilt = dust.tilt_exponent != 0.0
        if not by_tilt:
            return cls(dust=dust, rates=np.ones(1), by_tilt=False, polynomial=True, error=0.0)
        stretches = np.diff(np.append(level.start_tdb_s, end_tdb_s)) / SECONDS_PER_DAY
        largest = float((level.load_days + stretches).max())
        loads = np.linspace(0.0, largest, 101)
        asked = np.linspace(0.0, 1.0, 201)
        exact = soiling.clean_fraction(dust, asked[:, None] * loads[None, :])
        for count in POINT_COUNTS:
            points = 0.5 * (1.0 - np.cos(np.pi * np.arange(count) / (count - 1)))
            found = cls(dust=dust, rates=points, by_tilt=by_tilt, polynomial=True, error=0.0)
            error = float(
                np.abs(
                    found.shares(asked) @ soiling.clean_fraction(dust, points[:, None] * loads) - exact
                ).max()
            )
            if error <= ERROR:
                return cls(dust=dust, rates=points, by_tilt=by_tilt, polynomial=True, error=error)
        points = np.linspace(0.0, 1.0, MOST_RATES)
        found = cls(dust=dust, rates=points, by_tilt=by_tilt, polynomial=False, error=0.0)
        between = found.shares(asked) @ soiling.clean_fraction(dust, points[:, None] * loads)
        error = float(np.abs((between - exact).mean(axis=1)).max())
        return cls(dust=dust, rates=points, by_tilt=by_tilt, polynomial=False, error=error)

    def rate_of_tilt(self, tilt_deg: FloatArray) -> FloatArray:
        """Deposition rate of apertures at given tilts, any shape; 1 where the tilt does not matter."""
        tilt = np.asarray(tilt_deg, dtype=np.float64)
        if self.dust is None or not self.by_tilt:
            return np.ones_like(tilt)
        exponent = self.dust.tilt_exponent
        level = np.cos(np.radians(tilt))
        # as in energy.soiling.deposition_rate: cos(90 deg) is 6e-17, which a small exponent would lift
        return np.where(level > 1e-12, np.maximum(level, 1e-12) ** exponent, 0.0)

    def shares(self, rate: FloatArray) -> FloatArray:
        """Weights (n, rates) of the kept rates in the value at each asked rate (n,); each row sums to 1.

        Raises ValueError beyond the highest rate kept.
        """
        asked = np.asarray(rate, dtype=np.float64)
        if len(self.rates) == 1:
            return np.ones((len(asked), 1))
        if asked.size and not (asked.min() >= 0.0 and asked.max() <= self.rates[-1] * (1.0 + 1e-12)):
            raise ValueError(
                f"dust rates {asked.min():g} to {asked.max():g} leave those kept, 0 to {self.rates[-1]:g}"
            )
        if not self.polynomial:
            even = np.eye(len(self.rates))
            return np.stack([np.interp(asked, self.rates, row) for row in even], axis=1)
        shares = np.ones((len(asked), len(self.rates)))
        for k, own in enumerate(self.rates):
            for j, other in enumerate(self.rates):
                if j != k:
                    shares[:, k] *= (asked - other) / (own - other)
        return shares

    def clean_at_rates(self, load_days: FloatArray) -> FloatArray:
        """Clean fraction (rates, n) at each kept rate for loads of a level aperture (n,)."""
        if self.dust is None:
            return np.ones((1, len(load_days)))
        return soiling.clean_fraction(self.dust, self.rates[:, None] * load_days[None, :])

    def clean_at(self, load_days: FloatArray, tilt_deg: float) -> FloatArray:
        """Clean fraction (n,) of an aperture at a tilt, exactly."""
        if self.dust is None:
            return np.ones(len(load_days))
        return soiling.clean_fraction(self.dust, load_days * float(self.rate_of_tilt(np.array(tilt_deg))))
