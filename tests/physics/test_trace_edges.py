"""An ideal two-dimensional trough through the whole of `trace`: its edge stands where theory puts it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.model import BiaxialAcceptance
from yieldsim.optics.acceptance import half_width_deg
from yieldsim.optics.etendue import projected_acceptance_sr
from yieldsim.runs.trace.run import acceptance_from_prescription


@pytest.mark.parametrize("edge_deg", [pytest.param(10.0, marks=pytest.mark.slow), 30.0])
def test_ideal_trough(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, edge_deg: float) -> None:
    """Full-length compound parabola of perfect mirrors: 1 inside the acceptance angle, 0 outside, the fibre's etendue used up.

    Winston, Minano, Benitez, Nonimaging Optics, 2005: a = a' / sin(theta), length (a + a') / tan(theta).
    """
    monkeypatch.setenv("YIELDSIM_CACHE", str(tmp_path / "kept"))
    outlet = 0.1
    mouth = outlet / np.sin(np.radians(edge_deg))
    length = 0.5 * (mouth + outlet) / np.tan(np.radians(edge_deg))
    file = tmp_path / "trough.optics.toml"
    file.write_text(
        f"""
name = "Ideal trough"

[lens]
kind = "none"

[funnel]
kind = "mirror"
shape = "compound_parabolic"
section = "trough"
mouth_width_m = {mouth:.8f}
outlet_width_m = {outlet}
length_m = {length:.8f}
trough_length_m = 1.0
reflectance = 1.0

[fibre]
face_width_mm = 100.0
face_length_mm = 1000.0
numerical_aperture = 1.0
"""
    )
    table = acceptance_from_prescription(file)[0]
    assert isinstance(table, BiaxialAcceptance)
    # two rows to each side of a hard edge, 0.04 degrees apart
    assert half_width_deg(table) == pytest.approx(edge_deg, abs=0.06)
    used = mouth * 1.0 * projected_acceptance_sr(table)
    # of pi times the outlet; 0.8 % of sunlight lies outside the traced wavelengths, some more in the straight rows
    assert used / (np.pi * outlet * 1.0) == pytest.approx(0.9926, abs=6e-3)
