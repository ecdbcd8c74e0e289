"""The most that any fixed aperture on this fibre could deliver: energy spread over the sky against the fibre's etendue.

A fixed aperture of area A turns a patch of sky d(omega) into etendue A cos(incidence) d(omega) at most, and the fibre takes
G = pi NA^2 A_fibre in all. Whatever the optics, the light delivered is at most the light from the brightest patches of the
year's sky whose etendue, counted without the cosine, fills G:

    bound = A * sum over patches, brightest (energy per solid angle) first, until A * sum d(omega) = G

The cosine left out and the free choice of patches make it an upper bound for every orientation and every acceptance curve
(etendue: Winston, Minano, Benitez, Nonimaging Optics, 2005, from memory). The patches are cells of the sky no wider than the
Sun's radius over which each sample's disc is spread.
"""

from __future__ import annotations

import numpy as np

from yieldsim.base.sun_disc import sample_points
from yieldsim.base.vectors import FloatArray

CELL_DEG = 0.25


class SkyEnergy:
    """Beam energy by direction, kWh/m2 on a plane facing the Sun, gathered block by block."""

    def __init__(self) -> None:
        """Start with an empty sky."""
        self._kwh_m2 = np.zeros((round(180.0 / CELL_DEG), round(360.0 / CELL_DEG)))

    def gather(
        self, azimuth_deg: FloatArray, elevation_deg: FloatArray, radius_deg: FloatArray, kwh_m2: FloatArray
    ) -> None:
        """Add samples (n,) of beam energy, each spread over its disc."""
        lit = kwh_m2 > 0.0
        azimuth, elevation, radius, energy = (
            a[lit] for a in (azimuth_deg, elevation_deg, radius_deg, kwh_m2)
        )
        points, weights = sample_points(3, 8)
        rows, columns = self._kwh_m2.shape
        stretch = 1.0 / np.maximum(np.cos(np.radians(elevation)), 0.01)
        for (x, y), weight in zip(points, weights, strict=True):
            row = ((elevation + y * radius + 90.0) / CELL_DEG).astype(np.int64).clip(0, rows - 1)
            column = ((azimuth + x * radius * stretch) % 360.0 / CELL_DEG).astype(np.int64) % columns
            flat = np.bincount(row * columns + column, weights=energy * weight, minlength=rows * columns)
            self._kwh_m2 += flat.reshape(rows, columns)

    def bound_kwh(self, aperture_area_m2: float, etendue_m2_sr: float) -> float:
        """Upper bound of the year's energy through one aperture and one fibre, kWh."""
        edges = np.radians(np.arange(self._kwh_m2.shape[0] + 1) * CELL_DEG - 90.0)
        band_sr = np.diff(np.sin(edges)) * np.radians(CELL_DEG)
        solid_sr = np.broadcast_to(band_sr[:, None], self._kwh_m2.shape).ravel()
        energy = self._kwh_m2.ravel()
        order = np.argsort(-energy / solid_sr, kind="stable")
        filled_sr = np.cumsum(solid_sr[order])
        total = np.concatenate([[0.0], np.cumsum(energy[order])])
        at_sr = np.concatenate([[0.0], filled_sr])
        return float(aperture_area_m2 * np.interp(etendue_m2_sr / aperture_area_m2, at_sr, total))
