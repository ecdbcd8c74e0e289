"""Apparent places from a site, exact: the library's light time and aberration, turned into its local axes.

The site's velocity includes the body's turning, so diurnal aberration is in. The bending of light is left
out: none for the Sun itself, under 1e-9 deg from other bodies for the worlds of this project. The body's own
lifts the Sun by 2 GM / (c^2 r) tan((90 deg - elevation) / 2): on the Earth by 8e-8 deg at the horizon. This is
what SPICE calls LT+S. No refraction.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from yieldsim.base.clock import library_time
from yieldsim.base.constants import AU_KM
from yieldsim.base.ephemeris import Ephemeris, Orientation
from yieldsim.base.errors import DataMissing
from yieldsim.base.model import Body
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.sky.ellipsoid import enu_axes_xyz, position_km
from yieldsim.sky.rotation import ElementsFrame

CHUNK = 20_000
"""Times handed to the library at once: some 40 MB of its intermediate arrays."""


def orientation_of(ephemeris: Ephemeris, body: Body) -> Orientation:
    """The kernel's orientation where there is one, else the body's rotation elements."""
    return ephemeris.orientation or ElementsFrame(body.rotation)


class SiteSky:
    """Apparent directions and distances seen from one site."""

    def __init__(
        self, ephemeris: Ephemeris, body: Body, latitude_deg: float, longitude_deg: float, height_m: float
    ) -> None:
        """Place the site: planetocentric latitude, east longitude, height up the ellipsoid's normal."""
        radii = (body.equatorial_radius_km, body.polar_radius_km)
        self._orientation = orientation_of(ephemeris, body)
        self._body = ephemeris.body
        self._axes = enu_axes_xyz(latitude_deg, longitude_deg, *radii)
        self._position_au = position_km(latitude_deg, longitude_deg, height_m, *radii) / AU_KM
        self.targets = (ephemeris.sun, *(position for _, position in ephemeris.occulters))

    def enu_au(self, tdb_s: FloatArray, targets: tuple[Any, ...] | None = None) -> FloatArray:
        """Apparent east-north-up vectors in au of the targets (the Sun, then the occulters): (n, 3 targets).

        Their lengths are the distances the light travelled. Raises DataMissing where a kernel doesn't know when it left.
        """
        wanted = self.targets if targets is None else targets
        parts = [self._chunk(tdb_s[i : i + CHUNK], wanted) for i in range(0, tdb_s.size, CHUNK)]
        return np.concatenate(parts) if parts else np.empty((0, 3 * len(wanted)))

    def _chunk(self, tdb_s: FloatArray, targets: tuple[Any, ...]) -> FloatArray:
        from skyfield.errors import EphemerisRangeError
        from skyfield.positionlib import Barycentric

        t = library_time(tdb_s)
        rotation, rate = self._orientation.rotation_and_rate_at(t)
        centre = self._body.at(t)
        site = Barycentric(
            centre.xyz.au + np.einsum("jin,j->in", rotation, self._position_au),
            centre.velocity.au_per_d + np.einsum("jin,j->in", rate, self._position_au),
            t,
            0,
        )
        to_local = np.einsum("ij,jkn->ikn", self._axes, rotation)
        try:
            seen = [site.observe(target).apparent(deflectors=()).xyz.au for target in targets]
        except EphemerisRangeError as error:
            # the span itself is covered, with the time that light takes from where bodies are
            raise DataMissing(
                "a kernel puts a body so far away that its light left before the kernel begins "
                f"({error}): is it damaged?"
            ) from None
        return np.concatenate([np.einsum("ikn,kn->ni", to_local, xyz) for xyz in seen], axis=1)
