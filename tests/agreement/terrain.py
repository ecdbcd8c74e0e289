"""Public terrain: parts of it in tests/authorities/terrain, whole files where they lie beside the checkout."""

from __future__ import annotations

import atexit
import tempfile
from functools import cache
from pathlib import Path

import numpy as np

SHARED = Path(__file__).resolve().parents[3] / "shared" / "data"
RIDGE = SHARED / "terrain" / "lola_south_ridge_10m.tif"
POLE = SHARED / "terrain" / "lola_south_pole_240m.tif"
FAR = SHARED / "terrain" / "lola_south_pole_far_1787m.tif"
MOON = SHARED / "terrain" / "LDEM_4.LBL"
LIGHT = SHARED / "light" / "lola_average_visibility_blocks.csv"
SOUTH = (RIDGE, POLE, FAR)
PARTS = Path(__file__).resolve().parents[1] / "authorities" / "terrain"
POLE_PART, FAR_PART = PARTS / "lola_south_pole_240m_part.tif", PARTS / "lola_south_pole_1787m_part.tif"


@cache
def resampled(path: Path, pixel_m: float) -> Path:
    """A file's heights at another pixel: means of whole pixels, or linear between them; it lasts as long as the process."""
    import rasterio
    from rasterio.enums import Resampling
    from rasterio.warp import reproject

    folder = tempfile.TemporaryDirectory()
    atexit.register(folder.cleanup)
    made = Path(folder.name) / f"{path.stem}_{pixel_m:g}m.tif"
    with rasterio.open(path) as file:
        step = pixel_m / file.transform.a
        size = (int(file.height / step), int(file.width / step))
        transform = rasterio.Affine(pixel_m, 0.0, file.transform.c, 0.0, -pixel_m, file.transform.f)
        heights_m = np.full(size, np.nan, dtype=np.float32)
        reproject(
            file.read(1) * np.float32(file.scales[0]) + np.float32(file.offsets[0]),
            heights_m,
            src_transform=file.transform,
            src_crs=file.crs,
            dst_transform=transform,
            dst_crs=file.crs,
            resampling=Resampling.average if step > 1.0 else Resampling.bilinear,
        )
        with rasterio.open(
            made,
            "w",
            driver="GTiff",
            dtype="float32",
            count=1,
            height=size[0],
            width=size[1],
            crs=file.crs,
            transform=transform,
        ) as copy:
            copy.write(heights_m, 1)
    return made
