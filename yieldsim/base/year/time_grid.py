"""The intervals of a run, and the fine steps within them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TimeGrid:
    """Output intervals: edges (n + 1,) as UTC labels and as TDB seconds."""

    edge_utc: np.ndarray
    edge_tdb_s: FloatArray

    @property
    def count(self) -> int:
        """Number of intervals."""
        return len(self.edge_utc) - 1

    @property
    def interval_s(self) -> float:
        """Length of an interval, seconds of UTC."""
        return float((self.edge_utc[1] - self.edge_utc[0]) / np.timedelta64(1, "ns")) / 1e9

    def fine(self, first: int, last: int, steps: int) -> tuple[np.ndarray, FloatArray]:
        """Middles of `steps` equal steps in each of the intervals first..last-1: UTC labels and TDB seconds."""
        share = (np.arange(steps) + 0.5) / steps
        edges = self.edge_tdb_s[first : last + 1]
        tdb_s = (edges[:-1, None] + np.diff(edges)[:, None] * share).ravel()
        width_ns = np.diff(self.edge_utc[first : last + 1]).astype(np.int64)
        offset_ns = np.rint(width_ns[:, None] * share).astype(np.int64)
        utc = (self.edge_utc[first:last].astype(np.int64)[:, None] + offset_ns).ravel()
        return utc.astype("datetime64[ns]"), tdb_s
