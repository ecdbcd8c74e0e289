"""Stretches of a run without light: where they begin and end, and whether an end of the run cuts them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldsim.base.constants import SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A stretch without any delivered light."""

    start_utc: np.datetime64
    end_utc: np.datetime64

    @property
    def hours(self) -> float:
        """Its length."""
        return float((self.end_utc - self.start_utc) / np.timedelta64(1, "s")) / SECONDS_PER_HOUR


def gaps(delivering: np.ndarray, start_utc: np.datetime64, step_s: float) -> list[Gap]:
    """Stretches without light among equal steps (n,) of booleans, longest first, then earliest first."""
    lit = np.ones(1, dtype=bool)
    # one byte a step: a long run has tens of millions of them
    edge = np.diff(np.concatenate([lit, delivering, lit]).view(np.int8))
    begins, ends = np.flatnonzero(edge == -1), np.flatnonzero(edge == 1)
    order = np.argsort(-(ends - begins), kind="stable")
    step_ns = step_s * 1e9

    def at(step: int) -> np.datetime64:
        return start_utc + np.timedelta64(round(step * step_ns), "ns")

    return [Gap(start_utc=at(int(begins[i])), end_utc=at(int(ends[i]))) for i in order]


def is_cut(gap: Gap, edge_utc: np.ndarray) -> bool:
    """Whether a gap touches the start or the end of a run with these edges, so that it lasts longer than it seems."""
    return bool(gap.start_utc <= edge_utc[0] or gap.end_utc >= edge_utc[-1])
