"""Places around a point of a body's ellipsoid: the sphere that fits it there, great circles and the gnomonic plane.

The sphere has the ellipsoid's mean curvature at the point and its centre on the point's vertical. A place is named by its
direction from that centre; `rise_m` says how far the ellipsoid lies outside the sphere in that direction, so that

    distance from the centre = sphere radius + rise + height above the ellipsoid

is the true shape seen along straight lines. On a spherical body the rise is zero and all of this is exact. On an ellipsoid the
height is taken along the line from the centre, not along the ellipsoid's normal: the two differ by the flattening times the angle
from the point, 6e-4 rad at 350 km on Mars, which shifts a 10 km mountain by 6 m.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from yieldsim.base.numerics.height_grid import ellipsoid_radius_m
from yieldsim.base.numerics.vectors import FloatArray


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LocalSphere:
    """Sphere fitted to the ellipsoid at a point.

    radius_m      mean radius of curvature sqrt(M N) there
    centre_xyz_m  (3,) body-fixed; zero on a spherical body
    axes          (3, 3) rows east, north, up (the ellipsoid's normal), body-fixed; at a pole north continues the stated meridian
    """

    equatorial_m: float
    polar_m: float
    radius_m: float
    centre_xyz_m: FloatArray
    axes: FloatArray

    @classmethod
    def at(
        cls, latitude_deg: float, longitude_deg: float, equatorial_m: float, polar_m: float | None = None
    ) -> LocalSphere:
        """The sphere at a planetocentric latitude and an east longitude."""
        polar_m = equatorial_m if polar_m is None else polar_m
        centric, longitude = np.radians([latitude_deg, longitude_deg])
        graphic = np.arctan2(equatorial_m**2 * np.sin(centric), polar_m**2 * np.cos(centric))
        sin_lat, cos_lat, sin_lon, cos_lon = (
            np.sin(graphic),
            np.cos(graphic),
            np.sin(longitude),
            np.cos(longitude),
        )
        axes = np.array(
            [
                [-sin_lon, cos_lon, 0.0],
                [-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat],
                [cos_lat * cos_lon, cos_lat * sin_lon, sin_lat],
            ]
        )
        if equatorial_m == polar_m:
            return cls(
                equatorial_m=equatorial_m,
                polar_m=polar_m,
                radius_m=equatorial_m,
                centre_xyz_m=np.zeros(3),
                axes=axes,
            )
        foot_radius = float(ellipsoid_radius_m(latitude_deg, equatorial_m, polar_m))
        foot = foot_radius * np.array([np.cos(centric) * cos_lon, np.cos(centric) * sin_lon, np.sin(centric)])
        # radii of curvature along the meridian and across it
        eccentricity2 = 1.0 - (polar_m / equatorial_m) ** 2
        w2 = 1.0 - eccentricity2 * sin_lat**2
        meridian, prime = equatorial_m * (1.0 - eccentricity2) / w2**1.5, equatorial_m / np.sqrt(w2)
        radius = float(np.sqrt(meridian * prime))
        return cls(
            equatorial_m=equatorial_m,
            polar_m=polar_m,
            radius_m=radius,
            centre_xyz_m=foot - radius * axes[2],
            axes=axes,
        )

    @property
    def is_exact(self) -> bool:
        """Whether the body is a sphere itself: nothing rises above this one."""
        return self.equatorial_m == self.polar_m

    def places(self, direction_enu_xyz: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Planetocentric latitude, longitude (degrees) and rise (m) of the ellipsoid along unit directions (..., 3)."""
        direction = direction_enu_xyz @ self.axes
        if self.is_exact:
            point, rise = direction, np.zeros(direction.shape[:-1])
        else:
            # |S (centre + t direction)| = 1 with S = diag(1/a, 1/a, 1/c)
            scale = 1.0 / np.array([self.equatorial_m, self.equatorial_m, self.polar_m])
            step, start = direction * scale, self.centre_xyz_m * scale
            a = np.sum(step * step, axis=-1)
            half_b = step @ start
            t = (-half_b + np.sqrt(half_b**2 - a * (start @ start - 1.0))) / a
            point, rise = self.centre_xyz_m + t[..., None] * direction, t - self.radius_m
        latitude = np.degrees(np.arctan2(point[..., 2], np.hypot(point[..., 0], point[..., 1])))
        return latitude, np.degrees(np.arctan2(point[..., 1], point[..., 0])), rise

    def along(
        self, azimuth_deg: ArrayLike, angle_rad: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Places at an angle from the point along the great circle that leaves it at an azimuth."""
        azimuth = np.radians(np.asarray(azimuth_deg, dtype=np.float64))
        angle = np.asarray(angle_rad, dtype=np.float64)
        far = np.sin(angle)
        return self.places(
            np.stack(
                np.broadcast_arrays(far * np.sin(azimuth), far * np.cos(azimuth), np.cos(angle)), axis=-1
            )
        )

    def gnomonic_places(self, east: ArrayLike, north: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Places of the gnomonic plane, whose straight lines are great circles; coordinates in sphere radii."""
        x, y = np.broadcast_arrays(np.asarray(east, dtype=np.float64), np.asarray(north, dtype=np.float64))
        length = np.sqrt(1.0 + x * x + y * y)
        return self.places(np.stack([x / length, y / length, 1.0 / length], axis=-1))

    def gnomonic(self, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Gnomonic coordinates (east, north; sphere radii) of the ellipsoid at planetocentric places on the near side."""
        latitude, longitude = np.radians(latitude_deg), np.radians(longitude_deg)
        radius = ellipsoid_radius_m(np.degrees(latitude), self.equatorial_m, self.polar_m)
        level = radius * np.cos(latitude)
        point = np.stack(
            np.broadcast_arrays(
                level * np.cos(longitude), level * np.sin(longitude), radius * np.sin(latitude)
            ),
            axis=-1,
        )
        enu = (point - self.centre_xyz_m) @ self.axes.T
        return enu[..., 0] / enu[..., 2], enu[..., 1] / enu[..., 2]
