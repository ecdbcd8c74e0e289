"""Public terrain: parts of it in tests/authorities/terrain, whole files where they lie beside the checkout."""

from __future__ import annotations

from pathlib import Path

SHARED = Path(__file__).resolve().parents[3] / "shared" / "data"
RIDGE = SHARED / "terrain" / "lola_south_ridge_10m.tif"
POLE = SHARED / "terrain" / "lola_south_pole_240m.tif"
FAR = SHARED / "terrain" / "lola_south_pole_far_1787m.tif"
MOON = SHARED / "terrain" / "LDEM_4.LBL"
LIGHT = SHARED / "light" / "lola_average_visibility_blocks.csv"
SOUTH = (RIDGE, POLE, FAR)
PARTS = Path(__file__).resolve().parents[1] / "authorities" / "terrain"
POLE_PART, FAR_PART = PARTS / "lola_south_pole_240m_part.tif", PARTS / "lola_south_pole_1787m_part.tif"
