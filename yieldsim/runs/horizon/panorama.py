"""A skyline as its figure shows it, with the band that the Sun sweeps over."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.model import Site, Source
from yieldsim.files.output.provenance import provenance
from yieldsim.report.horizon import Panorama
from yieldsim.runs.horizon.unknown_ground import sun_over_span
from yieldsim.runs.run_span import run_span

if TYPE_CHECKING:
    from yieldsim.base.numerics.vectors import FloatArray
    from yieldsim.ground.skyline import Skyline


def panorama(
    skyline: Skyline,
    sources: tuple[Source, ...],
    warnings: tuple[str, ...],
    site: Site,
    when: Mapping[str, Any],
) -> Panorama:
    """The skyline with the band that the Sun's disc sweeps over a span, in the words of `run_span`."""
    span = run_span(site.body, **when)
    begin, finish = span.start_utc, span.end_utc
    path = sun_over_span(site, skyline.ground_m, when)
    edges = np.arange(0.0, 361.0, 2.0)
    which = np.minimum((path.azimuth_deg / 2.0).astype(np.int64), edges.size - 2)
    low, high = np.full(edges.size - 1, np.inf), np.full(edges.size - 1, -np.inf)
    np.minimum.at(low, which, path.elevation_deg - path.radius_deg)
    np.maximum.at(high, which, path.elevation_deg + path.radius_deg)
    empty = high < low
    low[empty], high[empty] = np.nan, np.nan
    ends = np.datetime_as_string(np.array([begin, finish]), unit="D")
    return Panorama(
        horizon_azimuth_deg=skyline.azimuth_deg,
        horizon_elevation_deg=skyline.elevation_deg,
        horizon_distance_km=skyline.distance_km,
        azimuth_deg=np.concatenate([[0.0], 0.5 * (edges[1:] + edges[:-1]), [360.0]]),
        sun_low_deg=_closed_ends(low),
        sun_high_deg=_closed_ends(high),
        title=f"{site.name}, eye {site.mast_height_m:g} m above the ground",
        note=f"{site.body.name}; Sun's band {ends[0]} to {ends[1]} UTC; terrain "
        f"{', '.join(source.name for source in sources)}",
        summary={
            "start_utc": f"{ends[0]}T00:00:00Z",
            "end_utc": f"{ends[1]}T00:00:00Z",
            "warnings": list(warnings),
            "provenance": provenance(sources, {"mast_height_m": site.mast_height_m}),
        },
    )


def _closed_ends(values: FloatArray) -> FloatArray:
    """Values of bins around the circle with their mean at north on either side."""
    north = 0.5 * (values[0] + values[-1])
    return np.concatenate([[north], values, [north]])
