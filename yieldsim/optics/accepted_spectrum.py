"""The colour of the light that optics let through: sunlight by wavelength times what each band of an acceptance table keeps."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from yieldsim.base.model import Acceptance, RoundAcceptance
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.solar_spectrum import band_weights
from yieldsim.optics.etendue import projected_acceptance_sr

SHORTEST_NM: Final = 100.0
LONGEST_NM: Final = 100_000.0
"""Between them all sunlight but a few millionths."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LightSpectrum:
    """Light by wavelength, as sunlight times a level that is constant within each band.

    edges_nm   (bands + 1,), increasing
    level      (bands,); over all sunlight its mean is 1, so that light without colour has 1 everywhere
    """

    edges_nm: FloatArray
    level: FloatArray

    def levels(self, edges_nm: FloatArray) -> FloatArray:
        """Level (n - 1,) of the bands between finer edges (n,), by their middles."""
        middle = 0.5 * (edges_nm[1:] + edges_nm[:-1])
        which = np.searchsorted(self.edges_nm, middle, side="right") - 1
        return np.asarray(self.level[np.clip(which, 0, len(self.level) - 1)])

    def between(self, edges_nm: FloatArray) -> FloatArray:
        """The edges (n,) and those of the light's own bands that lie among them, increasing."""
        own = self.edges_nm[(self.edges_nm > edges_nm[0]) & (self.edges_nm < edges_nm[-1])]
        return np.union1d(edges_nm, own)

    def energy_shares(self, edges_nm: FloatArray) -> FloatArray:
        """Shares (n - 1,) of this light's energy in the bands between edges (n,)."""
        return band_weights(edges_nm) * self.levels(edges_nm)


SUNLIGHT: Final = LightSpectrum(edges_nm=np.array([SHORTEST_NM, LONGEST_NM]), level=np.ones(1))


@lru_cache(maxsize=16)  # tables are frozen; a run asks block by block
def accepted_spectrum(acceptance: Acceptance) -> LightSpectrum:
    """Colour of the light that a table of acceptance lets through; sunlight's own where it has no bands.

    The mean over the directions that it accepts, by projected solid angle: where the colour changes across the acceptance,
    as at the edge of a simple lens, that of one hour differs. Sunlight outside the bands keeps what they leave of the whole:

        level_b = A_b / A,    level_outside = (A - sum w_b A_b) / (A (1 - sum w_b))

    with A and A_b the integrals of acceptance over the sky and w_b the bands' shares of sunlight.
    """
    bands = acceptance.bands
    whole = projected_acceptance_sr(acceptance)
    if bands is None or whole <= 0.0:
        return SUNLIGHT
    accepted = [
        projected_acceptance_sr(replace(acceptance, acceptance_fraction=values, bands=None))
        for values in bands.acceptance_fraction
    ]
    return _with_levels(bands.wavelength_nm, np.array(accepted) / whole)


def spectrum_from(
    acceptance: Acceptance, sun_mount_xyz: FloatArray, weight: FloatArray, kept: FloatArray | None = None
) -> LightSpectrum:
    """Colour of the light that a table lets through from some directions, as those of a year; sunlight's own without bands.

    sun_mount_xyz   (n, 3) in mount axes: transverse, longitudinal, normal
    weight          (n,) how much light of each direction is accepted; the disc's width is left out
    kept            (bands,) where `weight` is light that a filter behind the optics has left: what that keeps of each band
    """
    from scipy.interpolate import RegularGridInterpolator

    bands = acceptance.bands
    if bands is None or not weight.sum() > 0.0:
        return SUNLIGHT
    x, y, z = np.asarray(sun_mount_xyz, dtype=np.float64).T
    if isinstance(acceptance, RoundAcceptance):
        angles = [acceptance.incidence_deg]
        at = [np.degrees(np.arctan2(np.hypot(x, y), z))]
    else:
        angles = [acceptance.transverse_deg, acceptance.longitudinal_deg]
        at = [np.degrees(np.arctan2(x, z)), np.degrees(np.arctan2(y, z))]
        at = [np.abs(a) if axis[0] == 0.0 else a for axis, a in zip(angles, at, strict=True)]
    inside = [np.clip(a, axis[0], axis[-1]) for axis, a in zip(angles, at, strict=True)]
    # tables are linear between rows, their ratio is not
    tables = np.concatenate([bands.acceptance_fraction, acceptance.acceptance_fraction[None]])
    read = RegularGridInterpolator(angles, np.moveaxis(tables, 0, -1))(np.stack(inside, axis=-1))
    accepted, whole = read[:, :-1], read[:, -1:]
    # where the limb alone is accepted no light has a colour: that of the mean
    mean = accepted_spectrum(acceptance).levels(bands.wavelength_nm.ravel())[::2]
    level = np.divide(accepted, whole, out=np.tile(mean, (len(whole), 1)), where=whole > 0.0)
    if kept is not None:
        filtered = level @ (kept * np.array([float(band_weights(ends)[0]) for ends in bands.wavelength_nm]))
        weight = np.divide(weight, filtered, out=np.zeros_like(weight), where=filtered > 0.0)
    return _with_levels(bands.wavelength_nm, weight @ level / weight.sum())


def _with_levels(ends_nm: FloatArray, level_of_band: FloatArray) -> LightSpectrum:
    """The spectrum over all sunlight: bands at their levels, the rest of sunlight sharing what they leave of the whole."""
    edges = np.unique(np.concatenate([[SHORTEST_NM, LONGEST_NM], ends_nm.ravel()]))
    middle = 0.5 * (edges[1:] + edges[:-1])
    which = np.searchsorted(ends_nm[:, 0], middle, side="right") - 1
    inside = (which >= 0) & (middle < ends_nm[which, 1])
    weights = band_weights(edges)
    level = np.where(inside, level_of_band[which], 0.0)
    outside = float(weights[~inside].sum())
    if outside > 0.0:
        level[~inside] = max(0.0, 1.0 - float((weights * level)[inside].sum())) / outside
    return LightSpectrum(edges_nm=edges, level=level / float((weights * level).sum()))
