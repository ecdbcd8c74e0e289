"""[failures] of the load file: how often single things fail and how long repairs take."""

from __future__ import annotations

from typing import Annotated

from yieldsim.base.load_model import FailureRate
from yieldsim.files.toml.model import StrictModel, stated


class RateTable(StrictModel):
    """Mean time between failures of one item, and mean time to its repair."""

    every_days: Annotated[float, stated(FailureRate, "every_days")]
    repair_days: Annotated[float, stated(FailureRate, "repair_days")]

    def noun(self) -> FailureRate:
        """The frozen rate."""
        return self.made(FailureRate)


class FailuresTable(StrictModel):
    """[failures]: rates by what fails."""

    unit: RateTable | None = None
    mount: RateTable | None = None
    shields: RateTable | None = None
    half_store: RateTable | None = None

    def noun(self) -> tuple[tuple[str, FailureRate], ...]:
        """Rates by the names of `FAILURES`."""
        return tuple((name, rate.noun()) for name, rate in self if rate is not None)
