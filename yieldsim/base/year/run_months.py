"""The months of a run: of the calendar, or of 30 deg of solar longitude each on a world that has none.

Twelve to the turn either way. Parts of 30 deg of solar longitude are what the literature on Mars takes for months.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.year.period import year_name

SEASON_DEG = 30.0
MONTHS_A_TURN = 12
CLOSES_DEG = 1.0
"""A run this near whole turns (years are whole sols long, and users round them) closes on itself."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RunMonths:
    """The months that a run meets, in the order of time.

    label       (months,)     "2027-03", or "Ls 60-90"
    start_utc   (months,)     first instant, datetime64[ns]; of a month by solar longitude the first row's
    whole       (months,)     whether the run covers it from end to end
    of          (intervals,)  the month of each row
    calendar    whether they are the calendar's
    """

    label: tuple[str, ...]
    start_utc: NDArray[np.datetime64]
    whole: NDArray[np.bool_]
    of: NDArray[np.int64]
    calendar: bool

    @property
    def count(self) -> int:
        """How many there are."""
        return len(self.label)

    @property
    def judged(self) -> NDArray[np.bool_]:
        """Those among which the worst is sought: whole ones, all of them where none is."""
        return self.whole if self.whole.any() else np.ones_like(self.whole)

    def sums(self, rows: FloatArray) -> FloatArray:
        """Sums (months,) of rows (intervals,)."""
        return np.asarray(np.bincount(self.of, rows, self.count), dtype=np.float64)

    def worst(self, sums: FloatArray) -> int:
        """Which month has the least, of those judged."""
        some = np.flatnonzero(self.judged)
        return int(some[np.asarray(sums)[some].argmin()])

    def as_one(self) -> RunMonths:
        """The whole run taken for one month."""
        return RunMonths(
            label=self.label[:1],
            start_utc=self.start_utc[:1],
            whole=np.array([bool(self.whole.all())]),
            of=np.zeros_like(self.of),
            calendar=self.calendar,
        )


def calendar_months(edge_utc: NDArray[np.datetime64]) -> RunMonths:
    """Months of the calendar (UTC) in a run of intervals with these edges (intervals + 1,)."""
    edges = edge_utc.astype("datetime64[ns]")
    months, of = np.unique(edges[:-1].astype("datetime64[M]"), return_inverse=True)
    starts, ends = months.astype("datetime64[ns]"), (months + 1).astype("datetime64[ns]")
    return RunMonths(
        label=tuple(str(month) for month in months),
        start_utc=starts,
        whole=(starts >= edges[0]) & (ends <= edges[-1]),
        of=of.astype(np.int64),
        calendar=True,
    )


def season_months(edge_utc: NDArray[np.datetime64], solar_longitude_deg: FloatArray) -> RunMonths:
    """Months of 30 deg of solar longitude in a run with these edges; longitudes (intervals,) at the intervals' middles.

    A run of whole turns that begins within such a month ends within it: both parts together are one whole month.
    """
    edges = edge_utc.astype("datetime64[ns]")
    turned = np.unwrap(solar_longitude_deg, period=360.0)
    number = season_numbers(solar_longitude_deg)
    numbers, first, of = np.unique(number, return_index=True, return_inverse=True)
    whole = np.ones(len(numbers), dtype=bool)
    whole[[0, -1]] = False
    # of one row, at both ends of the run
    row_deg = abs(turned[-1] - turned[0]) / max(len(turned) - 1, 1)
    inside_deg = turned[0] - numbers[0] * SEASON_DEG, (numbers[-1] + 1) * SEASON_DEG - turned[-1]
    if len(numbers) > 1 and inside_deg[0] <= row_deg:
        whole[0] = True
    if len(numbers) > 1 and inside_deg[1] <= row_deg:
        whole[-1] = True
    turns = numbers[-1] - numbers[0]
    missing_deg = turns * SEASON_DEG - (turned[-1] - turned[0])
    if turns >= MONTHS_A_TURN and turns % MONTHS_A_TURN == 0 and abs(missing_deg) <= CLOSES_DEG + row_deg:
        of, numbers, first, whole = of % len(numbers[:-1]), numbers[:-1], first[:-1], whole[:-1]
        whole[0] = True
    begins = (numbers % MONTHS_A_TURN) * SEASON_DEG
    return RunMonths(
        label=tuple(f"Ls {begin:.0f}-{begin + SEASON_DEG:.0f}" for begin in begins),
        start_utc=edges[first],
        whole=whole,
        of=of.astype(np.int64),
        calendar=False,
    )


def season_numbers(solar_longitude_deg: FloatArray) -> NDArray[np.int64]:
    """Which 30 deg of solar longitude each row (n,) is in, counted on from turn to turn.

    A longitude that stands still or turns back for a while (an equinox of a wobbling pole) is followed once.
    """
    turned = np.unwrap(solar_longitude_deg, period=360.0)
    return np.maximum.accumulate(np.floor(turned / SEASON_DEG + 1e-9).astype(np.int64))


def run_months(body: str, edge_utc: NDArray[np.datetime64], solar_longitude_deg: FloatArray) -> RunMonths:
    """The months that a body's runs are told by: the calendar's for the Moon and the Earth."""
    if year_name(body) == "year":
        return calendar_months(edge_utc)
    return season_months(edge_utc, solar_longitude_deg)
