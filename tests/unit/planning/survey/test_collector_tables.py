"""A collector turned to many azimuths, against plain NumPy over all of them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from yieldsim.base.model import Collector, Mount, RoundAcceptance
from yieldsim.planning.survey.collector_tables import TurnedCollector, turn_step_deg, yield_table


@pytest.mark.parametrize("half_width_deg", [1.0, 5.0, 30.0, 80.0])
@pytest.mark.parametrize("tilt_deg", [0.0, 2.0, 40.0, 88.0])
def test_only_turns_that_bring_light_are_visited_and_none_is_missed(half_width_deg, tilt_deg):
    rng = np.random.default_rng(3)
    collector = Collector(
        name="lens",
        aperture_area_m2=0.2,
        mounts=(Mount(tilt_deg=tilt_deg, azimuth_deg=10.0),),
        acceptance=RoundAcceptance(
            incidence_deg=[0.0, half_width_deg, min(2.0 * half_width_deg, 90.0)],
            acceptance_fraction=[0.9, 0.8, 0.0],
            source="point",
        ),
    )
    path = SimpleNamespace(
        azimuth_deg=rng.uniform(0.0, 360.0, 300),
        elevation_deg=rng.uniform(-5.0, 60.0, 300),
        radius_deg=np.full(300, 0.26),
        beam_w_m2=rng.uniform(100.0, 900.0, 300),
    )
    table = yield_table(collector, tilt_deg, 0.0, path)
    turns = np.arange(0.0, 360.0 - 1e-9, turn_step_deg(collector))
    ready = TurnedCollector(
        mounts=collector.mounts,
        turns_deg=turns,
        area_m2=np.full((1, 300), 0.2),
        tables={(tilt_deg, 0.0): table},
    )
    found = ready.power_w(path, np.arange(300))
    count, rows = table.share.shape
    place = ((path.azimuth_deg[:, None] - 10.0 - turns) % 360.0) / table.step_deg
    column = np.minimum(place.astype(int), count - 1)
    after, u = (column + 1) % count, place - column
    height = (path.elevation_deg - table.lowest_deg) / table.step_deg
    row = np.clip(height.astype(int), 0, rows - 2)[:, None]
    v = height[:, None] - row
    low = table.share[column, row] * (1.0 - u) + table.share[after, row] * u
    high = table.share[column, row + 1] * (1.0 - u) + table.share[after, row + 1] * u
    known = (path.beam_w_m2 * 0.2)[:, None] * (low * (1.0 - v) + high * v)
    np.testing.assert_allclose(found, known, atol=1e-4)
    # a narrow lens near the zenith never meets a Sun below 60 deg
    assert (known.max() > 1.0) == (tilt_deg > 2.0 or half_width_deg > 10.0)
