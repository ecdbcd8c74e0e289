"""How sure a best design is: the error of its traced energy, and how far its values may move before energy falls."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.results.optics import TuneConfidence

if TYPE_CHECKING:
    from yieldsim.runs.cluster import Compute
    from yieldsim.runs.tune.evaluator import Bench, Trial
    from yieldsim.runs.tune.ranges import Range

SEEDS = (11, 12, 13, 14)
"""Independent tracings of one design, whose spread is its error."""
NEARLY = 0.01
"""A design whose energy lies within this part of the best is about as good."""
AROUND = (0.02, 0.05, 0.1, 0.2)
"""Parts of a range at which the best value is moved to either side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Confidence:
    """Errors are standard errors of the mean over tracings.

    nearly   by range: values between which energy stays within `NEARLY` of the best, the others held
    """

    best_error_kwh: float
    gain_fraction: float | None
    gain_error_fraction: float | None
    nearly: tuple[tuple[float, float], ...]

    def row(self, ranges: Sequence[Range]) -> TuneConfidence:
        """For tune.json."""
        return {
            "best_error_kwh": self.best_error_kwh,
            "gain_fraction": self.gain_fraction,
            "gain_error_fraction": self.gain_error_fraction,
            "tracings": len(SEEDS),
            "within_fraction": NEARLY,
            "within": [
                {"key": one.name, "low": low, "high": high}
                for one, (low, high) in zip(ranges, self.nearly, strict=True)
            ],
        }


def confidence(bench: Bench, best: Trial, baseline: Trial | None, compute: Compute) -> Confidence:
    """Trace best and baseline again with other random shifts, both alike, and try the best's neighbours along each value."""
    from yieldsim.runs.cluster import in_order
    from yieldsim.runs.tune.evaluator import traced_again

    has_baseline = baseline is not None and not baseline.reason and baseline.annual_kwh > 0.0
    designs = [best.values, None] if has_baseline else [best.values]
    cases = [(values, seed) for values in designs for seed in SEEDS]
    kwh = np.array(in_order(compute(traced_again, cases, bench))).reshape(len(designs), len(SEEDS))
    again = kwh[0]
    gain = error = None
    if has_baseline:
        assert baseline is not None
        ratio = again / kwh[1]
        gain = best.annual_kwh / baseline.annual_kwh - 1.0
        error = float(ratio.std(ddof=1)) / math.sqrt(len(SEEDS))
    return Confidence(
        best_error_kwh=float(again.std(ddof=1)) / math.sqrt(len(SEEDS)),
        gain_fraction=gain,
        gain_error_fraction=error,
        nearly=tuple(_nearly(bench, best, place) for place in range(len(bench.ranges))),
    )


def _nearly(bench: Bench, best: Trial, place: int) -> tuple[float, float]:
    """Where energy has fallen by `NEARLY` on either side of the best along one value, linear between designs tried."""
    one, level = bench.ranges[place], (1.0 - NEARLY) * best.annual_kwh
    ends = []
    for side in (-1.0, 1.0):
        last, last_kwh = best.values[place], best.annual_kwh
        for part in AROUND:
            value = min(max(best.values[place] + side * part * (one.high - one.low), one.low), one.high)
            if value == last:
                break
            moved = list(best.values)
            moved[place] = value
            kwh = bench.trial(moved).annual_kwh
            if kwh < level:
                last += (value - last) * (last_kwh - level) / (last_kwh - kwh)
                break
            last, last_kwh = value, kwh
        ends.append(float(last))
    return ends[0], ends[1]
