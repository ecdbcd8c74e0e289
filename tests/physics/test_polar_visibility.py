"""Light about the lunar south pole from the parts of terrain in tests/authorities/terrain, against the map published from it."""

from __future__ import annotations

import hashlib

import pytest
from agreement.terrain import PARTS

pytest.importorskip("rasterio")

from agreement import polar_light as agreed


def test_published_map_of_average_visibility():
    """LOLA average visibility (Mazarico et al. 2011, Icarus 211, 1066-1081; product AVGVISIB_85S_060M_201608): means over blocks of
    1.08 km near the pole, ground level, by share of the disc, over a precession cycle.

    From the 240 m grid, coarser than theirs, plain search reaches correlation 0.98 and 2.5 points; demanded are 0.97 and 3.
    Measured over 18.6 years: 0.982 and 2.72, mean 15.6 against 15.4.
    """
    found = agreed.visibility_map()
    assert found.correlation >= 0.97
    assert found.rms_points <= 3.0
    assert abs(found.mean_percent - found.published_mean_percent) < 1.0


def test_files_are_those_that_their_page_names():
    listed = (PARTS / "README.md").read_text(encoding="utf-8")
    files = [path for path in PARTS.iterdir() if path.name != "README.md"]
    assert len(files) == 3
    for path in files:
        row = next(line for line in listed.splitlines() if line.startswith(f"| `{path.name}`"))
        assert row.split("|")[3].strip() == hashlib.sha256(path.read_bytes()).hexdigest()
