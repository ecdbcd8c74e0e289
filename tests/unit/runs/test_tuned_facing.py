"""Each tuned design gets the facing and the roll that suit it best."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.model import BiaxialAcceptance
from yieldsim.planning.orientation.mount_frames import facings
from yieldsim.runs.tune.evaluator import Bench

ONE_SIDED = BiaxialAcceptance(
    transverse_deg=[0, 3, 5],
    longitudinal_deg=[-5, 0, 15, 40],
    acceptance_fraction=[[0, 0.9, 0.4, 0], [0, 0.8, 0.35, 0], [0, 0, 0, 0]],
    source="point",
)


def test_one_sided_optics_are_rolled_all_the_way_round(weighed):
    """A sky turned about its own middle by any angle gives the same energy to optics that may roll."""
    aside = np.radians(np.linspace(0.0, 30.0, 120))
    power = np.exp(-aside / np.radians(8.0))
    level = np.stack([np.zeros_like(aside), np.sin(aside), np.cos(aside)], axis=1)
    found = []
    for turn in (0.0, 180.0, 250.0):
        frame = facings(50.0, 170.0, turn).axes_enu_xyz[0]
        prospect = weighed(level @ frame, power, ONE_SIDED, step_minutes=20)
        bench = Bench(
            data={},
            path=Path("optics.toml"),
            ranges=(),
            sky=prospect.months.sky.merged(),
            track=prospect.track,
            design=None,  # type: ignore[arg-type]
            mounts=(),
        )
        kwh, facing = bench._facing(ONE_SIDED)
        assert kwh == pytest.approx(float(prospect.annual_kwh(facing)[0]), rel=1e-9)
        found.append(kwh)
    assert max(found) <= 1.002 * min(found)
