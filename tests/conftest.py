"""For all tests: who runs which, prospects made from plain arrays (any way of the Sun, any power, no kernels), one profile of property
tests."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import settings

from yieldsim.base.model import Acceptance
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.year.run_months import calendar_months
from yieldsim.energy.soiling_interpolation import DustRates
from yieldsim.optics.acceptance_lookup import cell_for_deg
from yieldsim.planning.orientation.mount_frames import Facings
from yieldsim.planning.orientation.objectives import Prospect, Use
from yieldsim.planning.sunlight.cumulative_sky import SkyGathering
from yieldsim.planning.sunlight.sunlit_series import runs_of_facings

Weighed = Callable[..., Prospect]
RADIUS_DEG = 0.2666

# the same examples on every run, so that a failure is the change's own; HYPOTHESIS_PROFILE=explore draws new ones
settings.register_profile("same", derandomize=True)
settings.register_profile("explore", derandomize=False)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "same"))

# as `cli.entry` has it: threads of kernels that wait leave their core to the other worker instead of spinning on it
os.environ.setdefault("OMP_WAIT_POLICY", "passive")

TOGETHER = ("tests/cli/budget/", "tests/page/", "tests/unit/report/")
"""Folders whose files share runs, a browser or pages."""


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """A file's tests, and those of a folder in TOGETHER, go to one worker: what they share is made once."""
    from xdist.scheduler import LoadScopeScheduling

    class OneWorkerAFile(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            path = nodeid.split("::", 1)[0]
            return next((folder for folder in TOGETHER if path.startswith(folder)), path)

        def _assign_work_unit(self, node: Any) -> None:
            # neighbours need the same kernels: of two workers the second begins at the other end, and each compiles its own
            if node.gateway.id != "gw0":
                self.workqueue.move_to_end(next(reversed(self.workqueue)), last=False)
            super()._assign_work_unit(node)

    return OneWorkerAFile(config, log)


def weighed_sky(
    sun_enu_xyz: FloatArray,
    power_w: FloatArray,
    acceptance: Acceptance,
    *,
    step_minutes: int = 60,
    steps: int = 1,
    start: str = "2027-01-01",
    cell_deg: float | None = None,
    radius_deg: float | FloatArray = RADIUS_DEG,
    dust: DustRates | None = None,
    load_days: FloatArray | None = None,
    use: Use | None = None,
) -> Prospect:
    """The Sun at sun_enu_xyz (n, 3) in even steps, with power_w (n,) on a unit's aperture square to it."""
    count = len(power_w)
    edges = np.datetime64(start, "ns") + np.arange(count // steps + 1) * np.timedelta64(
        step_minutes * steps, "m"
    )
    gathering = SkyGathering(
        calendar_months(edges),
        edges,
        steps,
        dust or DustRates.none(),
        cell_deg or cell_for_deg(acceptance, RADIUS_DEG),
    )
    loads = np.zeros(count) if load_days is None else load_days
    gathering.add(0, sun_enu_xyz, power_w, np.broadcast_to(np.asarray(radius_deg, float), (count,)), loads)
    return Prospect.of(*gathering.finished(), acceptance, use)


@pytest.fixture(scope="session")
def weighed() -> Weighed:
    """The maker of prospects."""
    return weighed_sky


@pytest.fixture(scope="session")
def light_hours() -> Callable[[Prospect, Facings], FloatArray]:
    """Hours that facings deliver over the run, (n,)."""

    def hours(prospect: Prospect, some: Facings) -> FloatArray:
        runs = runs_of_facings(prospect.track, prospect.year.ready, some.axes_enu_xyz, some.tilt_deg)
        return np.array([float((ends - starts).sum()) for starts, ends in runs]) * prospect.track.step_hours

    return hours
