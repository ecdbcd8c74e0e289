"""How often the worst of a year comes: the longest of each year, ranked.

    return period of the m-th longest of N years = (N + 1) / m        Weibull's plotting position

Source: E. J. Gumbel, Statistics of Extremes, 1958, section 1.2.7, after W. Weibull 1939 (both from memory). It is a count over the
years of the run: light that astronomy decides repeats (on the Moon with the node's 18.6 years) and is no chance.
"""

from __future__ import annotations

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray

FEWEST_YEARS = 5
"""Whole years below which a rank among them says nothing."""
PERIODS_YEARS = (2.0, 5.0, 10.0, 20.0)
"""Return periods that are told, as far as the run reaches."""


def yearly_longest_hours(
    start_days: FloatArray, end_days: FloatArray, years: int, year_days: float
) -> FloatArray:
    """Longest stretch of each whole year of a run, hours (years,); 0 where a year has none.

    start_days, end_days   (n,)  of the stretches, since the start of the run; one that an end of the run cuts reaches beyond it

    A stretch counts in the year that holds its middle, and in every year whose middle it covers.
    """
    middle = 0.5 * (start_days + end_days)
    hours = 24.0 * (end_days - start_days)
    longest = np.zeros(years)
    for year in range(years):
        first, last = year * year_days, (year + 1) * year_days
        counts = (middle >= first) & (middle < last)
        counts |= (start_days <= 0.5 * (first + last)) & (end_days >= 0.5 * (first + last))
        longest[year] = hours[counts].max(initial=0.0)
    return longest


def return_periods_years(count: int) -> FloatArray:
    """Return periods (count,) of the longest of each of so many years, longest first.

    >>> return_periods_years(4).tolist()
    [5.0, 2.5, 1.6666666666666667, 1.25]
    """
    return np.asarray((count + 1.0) / np.arange(1, count + 1))


def level_hours(yearly_hours: FloatArray, period_years: float) -> float | None:
    """Length that is reached once in so many years on average; None beyond what the years tell.

    Straight between plotting positions, over the logarithm of the period.

    >>> level_hours(np.array([10.0, 40.0, 20.0, 30.0]), 2.5), level_hours(np.array([10.0, 40.0]), 20.0)
    (30.0, None)
    """
    ranked = np.sort(yearly_hours)[::-1]
    periods = return_periods_years(len(ranked))
    if not periods[-1] <= period_years <= periods[0]:
        return None
    return float(np.interp(np.log(period_years), np.log(periods[::-1]), ranked[::-1]))
