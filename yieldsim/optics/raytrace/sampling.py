"""Quasi-random rays: rank-1 lattices over aperture, Sun's disc, spectrum and tolerances, with random shifts.

Point i of N has coordinates frac(i z_j / N + shift_j). Each of the independent random shifts gives an
unbiased estimate of every mean, so their spread gives the statistical error.

On each coordinate alone the points are N even steps, whatever the generator. A lens of n even grooves has
its edges at k / n (linear) or (k / n)^2 (round) of the aperture's first coordinate: where N and n share a
large factor, or N is next to a multiple of n, all grooves are met at nearly the same places, and their errors
add up instead of cancelling. So every N is a prime, and of 60 primes near a power of two one of the three
whose summed error at facet edges is least in the worst case over all n from 20 to 400 made of factors 2, 3
and 5, round and linear: from 131 on at most 2.1 times that of edges at places of their own, 0.8 times in the
mean. The sizes are not nested: each is a lattice of its own, with its own shifts.
Source of the method: J. Dick, F. Y. Kuo, I. H. Sloan, Acta Numerica 22, 133 (2013), sections 3 and 5 (from
memory). The generating vector is our own: component by component, the worst case error in the weighted
Sobolev space (weights 0.75^j), summed in logarithm over the sizes up to 130183, least among 400 random
candidates.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.sun_disc import brightness
from yieldsim.optics.spectrum import energy_below_fraction

SIZES: Final = (
    67, 131, 263, 463, 983, 1993, 3923, 8147, 18223, 33893, 62297, 130183, 254147, 507347,
)  # fmt: skip
"""Points of a lattice, primes about a factor of two apart."""
GENERATOR: Final = np.array(
    [1, 567431, 797924, 800689, 318682, 493976, 393831, 306612, 460210, 982468, 718938, 573899],
    dtype=np.int64,
)
DIMENSIONS: Final = len(GENERATOR)
"""0, 1 place on the aperture; 2, 3 on the Sun's disc; 4 wavelength; 5 azimuth of the Sun about the axis; 6,
7 lateral and 8 axial misplacement; 10, 11 slope error of the lens."""

WAVELENGTHS: Final = 64
"""Wavelengths traced, each standing for an equal share of the sunlight in the band."""


def lattice_size(points: int) -> int:
    """The size of a lattice nearest to a number of points, by ratio.

    >>> lattice_size(4096), lattice_size(1000)
    (3923, 983)
    """
    return min(SIZES, key=lambda size: abs(math.log(size / points)))


def random_shifts(count: int, seed: int, points: int) -> FloatArray:
    """Shifts (count, DIMENSIONS) in [0, 1) of a lattice of so many points."""
    return np.random.default_rng((seed, points)).random((count, DIMENSIONS))


def equal_energy_wavelengths(shortest_nm: float, longest_nm: float) -> tuple[FloatArray, float]:
    """Wavelengths (WAVELENGTHS,) in the middle, by energy, of equal shares of the band, and the band's
    share of all.

    >>> wavelengths, share = equal_energy_wavelengths(250.0, 4000.0)
    >>> round(share, 3), round(float(wavelengths[32]))
    (0.993, 737)
    """
    low, high = energy_below_fraction([shortest_nm, longest_nm])
    grid = np.geomspace(shortest_nm, longest_nm, 4001)
    wanted = low + (high - low) * (np.arange(WAVELENGTHS) + 0.5) / WAVELENGTHS
    return np.interp(wanted, energy_below_fraction(grid), grid), float(high - low)


@cache
def disc_radius_table() -> NDArray[np.float64]:
    """Radius on the Sun's disc, in disc radii, at 257 even shares of its light: the inverse of the radial
    sum."""
    radius = np.linspace(0.0, 1.0, 4001)
    light = brightness(np.sqrt(np.maximum(0.0, 1.0 - radius**2))) * radius
    inside = np.concatenate([[0.0], np.cumsum((light[1:] + light[:-1]) / 2.0)])
    table = np.interp(np.linspace(0.0, 1.0, 257), inside / inside[-1], radius)
    table.setflags(write=False)
    return table
