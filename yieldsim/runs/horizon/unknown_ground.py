"""Unknown ground in a skyline: told where it could hide the Sun, and refused there, or taken to block it.

Holes of the terrain files could hold ground as high as the body's highest. Lines of sight are looked at twice, with holes as nothing
and with holes that high; where the second skyline is the higher one, and the Sun comes above the first, the answer depends on what
nobody knows. Then there are two bounds, and the lower one, in which the hole blocks, is the answer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from yieldsim.base.errors import DataMissing, InputError, Problem
from yieldsim.base.model import Body, Site

if TYPE_CHECKING:
    from yieldsim.base.numerics.vectors import FloatArray
    from yieldsim.ground.skyline import Skyline
    from yieldsim.sky.sun_track import SunDiscs, SunTrack

UnknownGround = Literal["refuse", "bounds"]
CHOICES = ("refuse", "bounds")
MOST_PATH_STEPS = 200_000
SunOver = Callable[[], "SunDiscs"]


def refuse_choice(unknown_ground: str) -> None:
    """Raise InputError for another word than refuse or bounds."""
    if unknown_ground not in CHOICES:
        raise InputError(Problem("", "unknown_ground", f"is {unknown_ground!r}", " or ".join(CHOICES)))


def sun_over(track: SunTrack, body: Body, first_tdb_s: float, last_tdb_s: float) -> SunDiscs:
    """Where the Sun stands over the track's site through a span, in at most MOST_PATH_STEPS steps."""
    from yieldsim.sky.sun_track import middles_s, path_step_s

    step_s = max(path_step_s(body), (last_tdb_s - first_tdb_s) / MOST_PATH_STEPS)
    return track.discs(middles_s(first_tdb_s, last_tdb_s, step_s))


def sun_over_span(site: Site, ground_m: float, when: Mapping[str, Any]) -> SunDiscs:
    """The same over a span in the words of `run_span`, its kernels among them. Raises DataMissing where no ephemeris covers it."""
    from yieldsim.base.clock import tdb_seconds
    from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
    from yieldsim.runs.run_span import run_span
    from yieldsim.sky.sun_track import prepare_track

    span = run_span(site.body, **when)
    first, last = (float(value) for value in tdb_seconds([span.start_utc, span.end_utc]))
    eye_m = ground_m + site.mast_height_m
    track = prepare_track(
        open_ephemeris(site.body, first, last, extra=when["kernels"]),
        site.body,
        site.latitude_deg,
        site.longitude_deg,
        eye_m,
        first,
        last,
    )
    return sun_over(track, site.body, first, last)


def known_path(sun: SunOver) -> SunDiscs | None:
    """The path, or None where no ephemeris tells it."""
    try:
        return sun()
    except DataMissing:
        return None


def sun_top_deg(path: SunDiscs | None, azimuth_deg: FloatArray) -> FloatArray:
    """Highest elevation of the Sun's upper limb about each azimuth (rows evenly from 0); -inf where it never stands.

    Without a path: 90 deg everywhere.
    """
    if path is None:
        return np.full(azimuth_deg.shape, 90.0)
    top = np.full(360, -np.inf)
    np.maximum.at(
        top, np.floor(path.azimuth_deg).astype(np.int64) % 360, path.elevation_deg + path.radius_deg
    )
    # a row of the skyline shapes it as far as the rows beside it
    reach = int(np.ceil(360.0 / azimuth_deg.size)) + 1
    wide = np.max([np.roll(top, by) for by in range(-reach, reach + 1)], axis=0)
    return np.asarray(wide[np.floor(azimuth_deg).astype(np.int64) % 360])


def sun_share(path: SunDiscs | None, result: Skyline, rows: np.ndarray) -> float | None:
    """Share of the time with the Sun above the skyline in which it stands at chosen rows of it; None where never or not known."""
    if path is None:
        return None
    row = (
        np.rint(path.azimuth_deg / 360.0 * result.azimuth_deg.size).astype(np.int64) % result.azimuth_deg.size
    )
    seen = path.elevation_deg + path.radius_deg > result.elevation_deg[row]
    return float(rows[row[seen]].mean()) if seen.any() else None


def with_holes_blocked(
    clear: Skyline,
    blocked: Skyline,
    sun: SunOver,
    unknown_ground: UnknownGround,
    names: Sequence[str],
) -> tuple[Skyline, tuple[str, ...]]:
    """The skyline that is the answer, and notes: that with holes blocking, where they could hide the Sun.

    Raises InputError there when unknown ground is to be refused.
    """
    higher = blocked.elevation_deg > clear.elevation_deg + 1e-6
    if not higher.any():
        return clear, ()
    # lines of sight are told at rows; a hole may begin anywhere between two
    between = higher | np.roll(higher, 1) | np.roll(higher, -1)
    path = known_path(sun)
    matters = between & (sun_top_deg(path, clear.azimuth_deg) > clear.elevation_deg)
    files = ", ".join(names)
    if not matters.any():
        share = 100.0 * higher.mean()
        return clear, (
            f"{files}: holes of unknown height lie on the lines of sight at {share:.0f} % of azimuths; the Sun never stands "
            "above the skyline there in this span",
        )
    most = int(np.argmax(np.where(matters, blocked.elevation_deg - clear.elevation_deg, -np.inf)))
    seen = sun_share(path, clear, matters)
    where = (
        f"at {100.0 * matters.mean():.0f} % of azimuths"
        + (
            f" and {100.0 * seen:.3g} % of the time with the Sun above the skyline"
            if seen is not None
            else ""
        )
        + f", azimuth {clear.azimuth_deg[most]:g} deg among them from {float(f'{blocked.distance_km[most]:.3g}'):g} km on"
    )
    if unknown_ground == "refuse":
        raise InputError(
            Problem(
                files,
                found=f"has holes of unknown height between the site and the Sun, {where}",
                allowed="known ground there",
                hint="add a file that knows it, or ask for both bounds: --unknown-ground bounds",
            )
        )
    as_high = np.maximum(
        blocked.elevation_deg,
        np.maximum(np.roll(blocked.elevation_deg, 1), np.roll(blocked.elevation_deg, -1)),
    )
    elevation = np.where(matters, np.maximum(clear.elevation_deg, as_high), clear.elevation_deg)
    distance = np.where(elevation > clear.elevation_deg, blocked.distance_km, clear.distance_km)
    note = (
        f"{files}: holes of unknown height stand between the site and the Sun {where}; they are taken to hold ground as high "
        "as the body has anywhere, which blocks it: the lower of two bounds"
    )
    # what lies behind can't show, and is told of here already
    answer = replace(
        clear,
        elevation_deg=elevation,
        distance_km=distance,
        needed_m=np.where(matters, np.inf, clear.needed_m),
        unknown_share=np.where(matters, 0.0, clear.unknown_share),
    )
    return answer, (note,)
