"""Return periods by hand: ranks, years that a stretch counts in, lengths between ranks."""

import numpy as np
import pytest

from yieldsim.planning.return_periods import level_hours, return_periods_years, yearly_longest_hours


def test_a_stretch_counts_where_its_middle_lies_and_where_it_covers_a_middle():
    start = np.array([-2.0, 95.0, 130.0, 210.0, 420.0])
    end = np.array([3.0, 103.0, 133.0, 390.0, 421.0])
    # years of 100 days: the second stretch has its middle at 99, the fourth covers the middles of years 2 and 3
    found = yearly_longest_hours(start, end, 5, 100.0)
    assert found.tolist() == [8 * 24.0, 3 * 24.0, 180 * 24.0, 180 * 24.0, 24.0]
    assert yearly_longest_hours(np.empty(0), np.empty(0), 2, 100.0).tolist() == [0.0, 0.0]


def test_periods_of_nineteen_years():
    """(N + 1) / m: the longest of nineteen once in twenty years, the tenth once in two."""
    periods = return_periods_years(19)
    assert periods[0] == 20.0
    assert periods[9] == 2.0
    yearly = np.random.default_rng(1).permutation(np.arange(1.0, 20.0))
    assert level_hours(yearly, 20.0) == 19.0
    assert level_hours(yearly, 2.0) == pytest.approx(10.0)
    assert level_hours(yearly, 25.0) is None
    assert level_hours(yearly, 1.0) is None
    # of twenty years, half have a night at least as long as the one of two years
    assert (yearly >= level_hours(yearly, 2.0)).sum() == 10
