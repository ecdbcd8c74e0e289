"""Gaps of series made by hand."""

import numpy as np

from yieldsim.energy.gaps import gaps

START = np.datetime64("2027-01-31T20:00", "ns")


def test_gaps_by_hand():
    found = gaps(np.array([0, 0, 1, 0, 1, 1, 0, 0, 0], dtype=bool), START, 1800.0)
    assert [gap.hours for gap in found] == [1.5, 1.0, 0.5]
    assert str(found[0].start_utc)[:16] == "2027-01-31T23:00"
    assert str(found[0].end_utc)[:16] == "2027-02-01T00:30"
    assert gaps(np.ones(5, dtype=bool), START, 60.0) == []


def test_equal_gaps_earliest_first():
    found = gaps(np.array([0, 1, 0, 1, 0], dtype=bool), START, 3600.0)
    assert [str(gap.start_utc)[:13] for gap in found] == ["2027-01-31T20", "2027-01-31T22", "2027-02-01T00"]
