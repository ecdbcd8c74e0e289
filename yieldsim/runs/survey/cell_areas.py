"""How much ground the cells of a survey's tile stand for."""

from __future__ import annotations

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.runs.survey.tiles import Tile, TileJob

AREA_NODES = 17


def cell_areas_km2(job: TileJob, tile: Tile) -> FloatArray:
    """Ground (rows, columns) of a tile's cells, a stride wide and high each: on the ellipsoid, whatever the map's scale there.

    |across x down| of a pixel at AREA_NODES^2 places of the tile, and between them by lines: areas change by 2e-5 of themselves less
    evenly in 10 deg of latitude.
    """
    from yieldsim.base.numerics.height_grid import ellipsoid_radius_m
    from yieldsim.files.terrain.raster import open_raster

    body = job.site.body
    raster = open_raster(job.terrain[0], body, job.holds)
    equatorial_m, polar_m = body.equatorial_radius_km * 1000.0, body.polar_radius_km * 1000.0

    def xyz_m(row: FloatArray, column: FloatArray) -> FloatArray:
        latitude_deg, longitude_deg = raster.to_place(tile.row + row, tile.column + column)
        a, b = np.radians(latitude_deg), np.radians(longitude_deg)
        unit = np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)], axis=-1)
        return unit * ellipsoid_radius_m(latitude_deg, equatorial_m, polar_m)[..., None]

    nodes = [np.linspace(0.0, size - 1.0, AREA_NODES) for size in (tile.rows, tile.columns)]
    row, column = np.meshgrid(*nodes, indexing="ij")
    across = xyz_m(row, column + 0.5) - xyz_m(row, column - 0.5)
    down = xyz_m(row + 0.5, column) - xyz_m(row - 0.5, column)
    pixel_km2 = 1e-6 * np.linalg.norm(np.cross(across, down), axis=-1)
    _, rows, columns = job.shape(tile)
    cells = pixel_km2
    # down, then across
    for count, size in ((rows, tile.rows), (columns, tile.columns)):
        at = np.arange(count) * job.stride * (AREA_NODES - 1) / max(size - 1, 1)
        low = np.minimum(at.astype(np.int64), AREA_NODES - 2)
        share = (at - low)[:, None]
        cells = (cells[low] * (1.0 - share) + cells[low + 1] * share).T
    return np.asarray(cells * job.stride**2)
