"""Months of a run: the calendar's, and twelfths of the turn of solar longitude, against Kepler's motion of Mars."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.year.run_months import calendar_months, run_months, season_months

# Allison & McEwen 2000: eccentricity and solar longitude of perihelion of Mars in J2000
ECCENTRICITY, PERIHELION_LS_DEG = 0.09340, 250.999
YEAR_SOLS = 668.5991


def kepler_sols(from_deg: FloatArray) -> FloatArray:
    """Sols from perihelion at which a planet on that ellipse reaches solar longitudes, by Kepler's equation."""
    true = np.radians(from_deg - PERIHELION_LS_DEG)
    half = np.sqrt((1.0 - ECCENTRICITY) / (1.0 + ECCENTRICITY)) * np.tan(true / 2.0)
    eccentric = 2.0 * np.arctan(half)
    return (eccentric - ECCENTRICITY * np.sin(eccentric)) / (2.0 * np.pi) * YEAR_SOLS


def a_martian_year(first_ls_deg: float, years: float = 1.0) -> tuple[np.ndarray, FloatArray]:
    """Edges and longitudes at the middles of rows of an hour, from a longitude on."""
    grid_deg = np.linspace(-180.0, 179.999, 20000) + PERIHELION_LS_DEG
    sols = kepler_sols(grid_deg)
    hours = int(years * YEAR_SOLS * 24.6597)
    edges = np.datetime64("2027-01-01", "ns") + np.arange(hours + 1) * np.timedelta64(3600, "s")
    start = np.interp(
        PERIHELION_LS_DEG - 180.0 + (first_ls_deg - PERIHELION_LS_DEG + 180.0) % 360.0, grid_deg, sols
    )
    at = start + (np.arange(hours) + 0.5) / 24.6597
    turned = (at + YEAR_SOLS / 2.0) % YEAR_SOLS - YEAR_SOLS / 2.0
    return edges, np.interp(turned, sols, grid_deg) % 360.0


def test_a_martian_year_has_twelve_months_of_keplers_lengths():
    edges, longitude = a_martian_year(77.0)
    months = season_months(edges, longitude)
    assert months.label[0] == "Ls 60-90"
    assert months.label[-1] == "Ls 30-60"
    assert months.count == 12
    assert months.whole.all(), "the parts at both ends are one month"
    sols = months.sums(np.full(len(longitude), 1.0 / 24.6597))
    begin = np.array([float(label.split()[1].split("-")[0]) for label in months.label])
    turned = PERIHELION_LS_DEG - 180.0 + (begin - PERIHELION_LS_DEG + 180.0) % 360.0
    wanted = kepler_sols(turned + 30.0) - kepler_sols(turned)
    wanted += np.where(wanted < 0.0, YEAR_SOLS, 0.0)
    np.testing.assert_allclose(sols, wanted, atol=0.15)
    # the shortest is the one about perihelion, the longest about aphelion
    assert months.label[int(sols.argmin())] == "Ls 240-270"
    assert months.label[int(sols.argmax())] == "Ls 60-90"


def test_parts_at_the_ends_of_a_part_of_a_year_are_not_judged():
    edges, longitude = a_martian_year(77.0, 0.5)
    months = season_months(edges, longitude)
    assert not months.whole[0]
    assert not months.whole[-1]
    assert months.whole[1:-1].all()
    light = months.sums(np.where(months.of == 0, 0.0, 1.0))
    assert light[0] == 0.0
    assert months.worst(light) not in (0, months.count - 1)


def test_a_year_and_a_half_does_not_close():
    edges, longitude = a_martian_year(75.0, 1.5)
    months = season_months(edges, longitude)
    assert months.count == 18 + 1
    assert not months.whole[0]
    assert months.label.count("Ls 90-120") == 2


@pytest.mark.parametrize("years", [1.0 - 0.001, 1.0 + 0.001])
def test_half_a_sol_more_or_less_is_a_year(years):
    edges, longitude = a_martian_year(77.0, years)
    months = season_months(edges, longitude)
    assert months.count == 12
    assert months.whole.all()


def test_two_years_close_and_keep_each_year_apart():
    edges, longitude = a_martian_year(77.0, 2.0)
    months = season_months(edges, longitude)
    assert months.count == 24
    assert months.whole.all()


def test_one_month_alone_is_judged():
    edges, longitude = a_martian_year(61.0, 0.01)
    months = season_months(edges, longitude)
    assert months.count == 1
    assert not months.whole.any()
    assert months.judged.all()


def test_calendar_months_that_the_run_does_not_cover_are_not_judged():
    edges = np.arange("2027-01-10", "2027-04-01", np.timedelta64(1, "D"), dtype="datetime64[ns]")
    months = calendar_months(np.append(edges, np.datetime64("2027-04-01", "ns")))
    assert months.label == ("2027-01", "2027-02", "2027-03")
    assert months.whole.tolist() == [False, True, True]
    assert months.worst(np.array([0.5, 3.0, 2.0])) == 2
    few = calendar_months(edges[:5])
    assert few.judged.all()


@pytest.mark.parametrize(
    ("body", "calendar"), [("Moon", True), ("Earth", True), ("Mars", False), ("Ceres", False)]
)
def test_whose_months(body, calendar):
    edges, longitude = a_martian_year(77.0, 0.2)
    assert run_months(body, edges, longitude).calendar is calendar
