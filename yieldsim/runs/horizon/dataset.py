"""A skyline as a Dataset for its figure, with the band that the Sun sweeps over."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from yieldsim.base.model import Site, Source
from yieldsim.runs.horizon.unknown_ground import sun_over_span

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.base.numerics.vectors import FloatArray
    from yieldsim.ground.skyline import Skyline


def horizon_dataset(
    skyline: Skyline,
    sources: tuple[Source, ...],
    warnings: tuple[str, ...],
    site: Site,
    when: Mapping[str, Any],
) -> xr.Dataset:
    """The skyline with the band that the Sun's disc sweeps over a span, in the words of `run_span`, for the figure."""
    import json

    import numpy as np
    import xarray as xr

    from yieldsim.files.output.provenance import provenance
    from yieldsim.runs.run_span import run_span

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
    return xr.Dataset(
        {
            "horizon_azimuth_deg": ("horizon", skyline.azimuth_deg),
            "horizon_elevation_deg": ("horizon", skyline.elevation_deg),
            "horizon_distance_km": ("horizon", skyline.distance_km),
            "sun_low_deg": ("azimuth_deg", _closed_ends(low)),
            "sun_high_deg": ("azimuth_deg", _closed_ends(high)),
        },
        coords={"azimuth_deg": np.concatenate([[0.0], 0.5 * (edges[1:] + edges[:-1]), [360.0]])},
        attrs={
            "title": f"{site.name}, eye {site.mast_height_m:g} m above the ground",
            "note": f"{site.body.name}; Sun's band {ends[0]} to {ends[1]} UTC; terrain "
            f"{', '.join(source.name for source in sources)}",
            "summary": json.dumps(
                {
                    "start_utc": f"{ends[0]}T00:00:00Z",
                    "end_utc": f"{ends[1]}T00:00:00Z",
                    "warnings": list(warnings),
                    "provenance": provenance(sources, {"mast_height_m": site.mast_height_m}),
                }
            ),
        },
    )


def _closed_ends(values: FloatArray) -> FloatArray:
    """Values of bins around the circle with their mean at north on either side."""
    import numpy as np

    north = 0.5 * (values[0] + values[-1])
    return np.concatenate([[north], values, [north]])
