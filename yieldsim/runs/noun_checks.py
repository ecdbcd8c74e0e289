"""Sites and collectors that a program made itself: the mistakes that would run through to a wrong number are refused.

Files are checked key by key when they are read; this is for nouns that never were in one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from numbers import Real

import numpy as np

from yieldsim.base.errors import Problem
from yieldsim.base.model import (
    Collector,
    HorizonMask,
    OpticalDepthTable,
    PrescriptionAcceptance,
    RoundAcceptance,
    Site,
)
from yieldsim.base.vectors import FloatArray
from yieldsim.files.inputs.collector import SHORTEST_CYCLE_HOURS

Ranges = Mapping[str, tuple[float, float]]
LEAST = 1e-12
"""Stands for "more than 0"."""

SITE: Ranges = {
    "latitude_deg": (-90.0, 90.0),
    "longitude_deg": (-180.0, 360.0),
    "elevation_m": (-1e5, 1e5),
    "mast_height_m": (0.0, 1e4),
}
DUST: Ranges = {"loss_per_day": (0.0, 1.0 - LEAST), "tilt_exponent": (0.0, 100.0), "floor": (0.0, 1.0)}
COLLECTOR: Ranges = {"aperture_area_m2": (LEAST, 1e6), "mass_kg": (LEAST, 1e7)}
MOUNT: Ranges = {
    "tilt_deg": (-360.0, 360.0),
    "azimuth_deg": (-720.0, 720.0),
    "roll_deg": (-720.0, 720.0),
    "count": (1, 10_000_000),
}
SHIELD: Ranges = {
    "film_transmittance": (LEAST, 1.0),
    "removal": (0.0, 1.0),
    "cycle_hours": (SHORTEST_CYCLE_HOURS, 1e6),
    "duty_minutes": (0.0, 1e6),
    "power_w": (0.0, 1e6),
}
FIBRE: Ranges = {
    "length_m": (0.0, 1e6),
    "packing": (LEAST, 1.0),
    "end_reflection": (0.0, 1.0 - LEAST),
    "coupling": (LEAST, 1.0),
    "numerical_aperture": (LEAST, 2.0),
    "face_diameter_mm": (LEAST, 1e4),
    "darkening_db_per_km_per_year": (0.0, 1e6),
}


def noun_problems(noun: object) -> Iterator[Problem]:
    """What is wrong with the numbers of a site or of a collector."""
    if isinstance(noun, Site):
        yield from _site_problems(noun)
    if isinstance(noun, Collector):
        yield from _collector_problems(noun)


def _site_problems(site: Site) -> Iterator[Problem]:
    where = str(site.name)
    yield from _outside(where, "", site, SITE)
    if isinstance(site.horizon, HorizonMask):
        yield from _table(
            where, "horizon", site.horizon.azimuth_deg, site.horizon.elevation_deg, (-90.0, 90.0)
        )
    depth = site.optical_depth
    if depth is not None and not isinstance(depth, OpticalDepthTable) and not 0.0 <= depth < np.inf:
        yield Problem(where, "optical_depth", f"is {depth:g}", "0 or more")
    if site.dust is not None:
        yield from _outside(where, "dust.", site.dust, DUST)


def _collector_problems(collector: Collector) -> Iterator[Problem]:
    where = str(collector.name)
    yield from _outside(where, "", collector, COLLECTOR)
    if not collector.mounts:
        yield Problem(where, "mounts", "is empty", "one or more mounts")
    for number, mount in enumerate(collector.mounts, start=1):
        yield from _outside(where, f"mounts #{number} ", mount, MOUNT)
    acceptance = collector.acceptance
    if isinstance(acceptance, RoundAcceptance):
        angles, share = acceptance.incidence_deg, acceptance.acceptance_fraction
        yield from _table(where, "acceptance", angles, share, (0.0, 1.0))
    elif not isinstance(acceptance, PrescriptionAcceptance):
        share = acceptance.acceptance_fraction
        if share.shape != (len(acceptance.transverse_deg), len(acceptance.longitudinal_deg)):
            yield Problem(where, "acceptance", f"has the shape {share.shape}", "(transverse, longitudinal)")
        for angles in (acceptance.transverse_deg, acceptance.longitudinal_deg):
            yield from _table(where, "acceptance", angles, share, (0.0, 1.0))
    if collector.shield is not None:
        yield from _outside(where, "shield.", collector.shield, SHIELD)
        cycle_minutes, duty = (collector.shield.cycle_hours or np.inf) * 60.0, collector.shield.duty_minutes
        if duty > cycle_minutes:
            yield Problem(
                where,
                "shield.duty_minutes",
                f"is {duty:g}",
                f"at most cycle_hours, {cycle_minutes:g} minutes",
            )
    if collector.fibre is not None:
        yield from _outside(where, "fibre.", collector.fibre, FIBRE)


def _outside(where: str, before: str, noun: object, ranges: Ranges) -> Iterator[Problem]:
    """A problem for every number that is none, or out of its range; None says that it is not stated."""
    for key, (low, high) in ranges.items():
        value = getattr(noun, key)
        if value is None and key in ("mass_kg", "cycle_hours", "numerical_aperture", "face_diameter_mm"):
            continue
        if isinstance(value, bool) or not isinstance(value, Real) or not low <= float(value) <= high:
            allowed = f"more than 0, at most {high:g}" if low == LEAST else f"{low:g} to {high:g}"
            yield Problem(where, f"{before}{key}", f"is {value!r}", allowed)


def _table(
    where: str, key: str, x: FloatArray, y: FloatArray, allowed: tuple[float, float]
) -> Iterator[Problem]:
    """A problem where the angles of a table don't increase or its values leave their range."""
    if x.size == 0 or not np.isfinite(x).all() or (np.diff(x) <= 0.0).any():
        yield Problem(where, key, "has angles that don't increase", "angles that increase")
    if not ((y >= allowed[0]) & (y <= allowed[1])).all():
        yield Problem(where, key, "has values out of range", f"{allowed[0]:g} to {allowed[1]:g}")
    if y.ndim == 1 and x.shape != y.shape:
        yield Problem(where, key, f"has {x.size} angles and {y.size} values", "as many")
