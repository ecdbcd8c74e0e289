"""The public terrain files, where they lie beside the checkout; they are no part of it."""

from __future__ import annotations

from pathlib import Path

SHARED = Path(__file__).resolve().parents[3] / "shared" / "data"
RIDGE = SHARED / "terrain" / "lola_south_ridge_10m.tif"
POLE = SHARED / "terrain" / "lola_south_pole_240m.tif"
FAR = SHARED / "terrain" / "lola_south_pole_far_1787m.tif"
MOON = SHARED / "terrain" / "LDEM_4.LBL"
LIGHT = SHARED / "light" / "lola_average_visibility_blocks.csv"
SOUTH = (RIDGE, POLE, FAR)
