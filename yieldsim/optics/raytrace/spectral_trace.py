"""The colour of traced optics: acceptance in bands of wavelength, at a few angles, carried to every row of a table.

Chromatic optics let other colours through at the edge of their acceptance than at its middle, but slowly: the ratio of a band
to all sunlight is traced at a few angles and is linear between them, while the table's own rows keep the steep edges.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np

from yieldsim.base.model import Acceptance, AcceptanceBands, RoundAcceptance
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.prescription_model import Band, Prescription
from yieldsim.base.solar_spectrum import band_weights
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.acceptance_trace import Ways
from yieldsim.optics.raytrace.sampling import equal_energy_wavelengths
from yieldsim.optics.raytrace.scene import Scene, media_of
from yieldsim.optics.raytrace.tracer import directions_xyz, trace

EDGES_NM: Final = (
    300.0, 350.0, 400.0, 450.0, 500.0, 550.0, 600.0, 650.0, 700.0, 800.0, 900.0, 1000.0, 1200.0, 1500.0, 2000.0, 2500.0,
)  # fmt: skip
"""Between the ends of the traced band: 50 nm apart where eyes and leaves see, wider where only energy counts."""
BAND_POINTS: Final = 256
"""Rays of each of the tracer's shifts, per band and angle: a band's share to one or two hundredths of itself."""
NODES, GRID_NODES = 6, 4
"""Angles of a round table, and along each axis of a grid."""
LIT: Final = 0.02
"""Of the largest acceptance: angles with less have no colour worth tracing."""


def band_edges_nm(band: Band) -> FloatArray:
    """Edges (bands + 1,) of the bands that a trace tells apart."""
    inside = [edge for edge in EDGES_NM if band.shortest_nm < edge < band.longest_nm]
    return np.array([band.shortest_nm, *inside, band.longest_nm])


def traced_bands(
    prescription: Prescription, scene: Scene, acceptance: Acceptance, ways: Ways
) -> AcceptanceBands:
    """The bands of a traced table: their mean over sunlight is the table's own acceptance, row by row.

        A_b(angle) = A(angle) r_b(angle) / sum w_b r_b(angle),    r_b = traced acceptance of the band

    with w_b the band's share of all sunlight.
    """
    edges = band_edges_nm(prescription.band)
    weights = band_weights(edges)
    if isinstance(acceptance, RoundAcceptance):
        angles = acceptance.incidence_deg
        rows = _lit_rows(acceptance.acceptance_fraction, NODES)
        ratio = _traced_ratio(
            prescription, scene, edges, directions_xyz(angles[rows], np.zeros(len(rows))), ways
        )
        spread = np.array([np.interp(angles, angles[rows], values) for values in ratio])
    else:
        t, l = acceptance.transverse_deg, acceptance.longitudinal_deg  # noqa: E741
        rows = _lit_rows(acceptance.acceptance_fraction.max(axis=1), GRID_NODES)
        columns = _lit_rows(acceptance.acceptance_fraction.max(axis=0), GRID_NODES)
        at_t, at_l = np.meshgrid(t[rows], l[columns], indexing="ij")
        ratio = _traced_ratio(prescription, scene, edges, directions_xyz(at_t.ravel(), at_l.ravel()), ways)
        along = np.array(
            [[np.interp(l, l[columns], line) for line in values.reshape(at_t.shape)] for values in ratio]
        )
        spread = np.array(
            [np.stack([np.interp(t, t[rows], line) for line in grid.T], axis=1) for grid in along]
        )
    mean = np.tensordot(weights, spread, axes=1)
    share = acceptance.acceptance_fraction * np.divide(
        spread, mean, out=np.zeros_like(spread), where=mean > 0.0
    )
    return AcceptanceBands(
        wavelength_nm=np.stack([edges[:-1], edges[1:]], axis=1), acceptance_fraction=np.minimum(share, 1.0)
    )


def _lit_rows(value: FloatArray, count: int) -> np.ndarray:
    """Rows spread evenly from the first to the last lit one; rows stand close together where a curve is steep."""
    lit = np.flatnonzero(value > LIT * value.max())
    return np.unique(np.round(np.linspace(lit[0], lit[-1], count)).astype(np.int64))


def _traced_ratio(
    prescription: Prescription, scene: Scene, edges: FloatArray, directions: FloatArray, ways: Ways
) -> FloatArray:
    """Acceptance (bands, directions) of each band; a dark direction gets the colour of the first, at normal incidence."""
    found = []
    for shortest, longest in pairwise(edges.tolist()):
        wavelengths, _ = equal_energy_wavelengths(shortest, longest)
        traced = trace(
            replace(scene, media=media_of(prescription, wavelengths)),
            directions,
            points=BAND_POINTS,
            sun_radius_deg=ways.sun_radius_deg,
            spin=ways.spin,
            seed=ways.seed,
        )
        found.append(traced.share[:, loss_causes.DELIVERED])
    ratio = np.array(found)
    dark = ratio.sum(axis=0) <= 0.0
    ratio[:, dark] = ratio[:, :1]
    return ratio
