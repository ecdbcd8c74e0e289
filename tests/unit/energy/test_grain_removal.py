"""Dust removed by grain size: the area's lognormal, closed forms of one and two sizes, residue that grows finer."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import lognorm

from yieldsim.base.constants import SECONDS_PER_DAY
from yieldsim.base.model import Dust, GrainRemoval, Shield
from yieldsim.energy.grain_removal import area_median_um, fresh_removal, settled_removal, size_classes
from yieldsim.energy.soiling import dust_history, history_of, load_at, removals

DAY = SECONDS_PER_DAY
STEEP = GrainRemoval(
    diameter_um=[2.0, 5.0, 10.0, 40.0],
    removal_fraction=[0.1, 0.45, 0.8, 0.98],
    median_um=5.2,
    geometric_sd=1.6,
)


def test_the_area_weighs_by_the_square_of_the_diameter():
    # the mean over area of a removal, integrated over the counts: int r(d) d^2 n(d) dd / int d^2 n(d) dd
    counts = lognorm(np.log(STEEP.geometric_sd), scale=STEEP.median_um)

    def removal(d):
        return np.interp(np.log(d), np.log(STEEP.diameter_um), STEEP.removal_fraction)

    whole = quad(lambda d: d * d * counts.pdf(d), 0.05, 200.0, limit=200)[0]
    taken = quad(
        lambda d: removal(d) * d * d * counts.pdf(d), 0.05, 200.0, limit=200, points=[2.0, 5.0, 10.0, 40.0]
    )[0]
    # shares to a billionth are left out
    assert fresh_removal(STEEP) == pytest.approx(taken / whole, abs=1e-6)
    half = quad(lambda d: d * d * counts.pdf(d), 0.05, area_median_um(STEEP), limit=200)[0]
    assert half / whole == pytest.approx(0.5, abs=1e-6)


@pytest.mark.parametrize("finest", [0.01, 0.05, 0.2])
@pytest.mark.parametrize("geometric_sd", [1.4, 2.0, 3.0])
def test_the_settled_removal_is_the_harmonic_mean_to_the_finest_tail(finest, geometric_sd):
    # on a dense grid over nine standard deviations either side; classes of equal area gave 0.73 for 0.61 at 0.01 and 3.0
    grains = GrainRemoval(
        diameter_um=[1.0, 5.0, 10.0, 40.0],
        removal_fraction=[finest, 0.45, 0.8, 0.98],
        median_um=2.0,
        geometric_sd=geometric_sd,
    )
    z = np.linspace(-9.0, 9.0, 20_001)
    weight = np.exp(-0.5 * z**2) / np.exp(-0.5 * z**2).sum()
    at = np.log(area_median_um(grains)) + np.log(geometric_sd) * z
    removal = np.interp(at, np.log(grains.diameter_um), grains.removal_fraction)
    assert fresh_removal(grains) == pytest.approx((weight * removal).sum(), abs=1e-6)
    # a class of a quarter has its mean of 1 / r above 1 / mean(r): by (r' / r)^2 / 192 of it
    assert settled_removal(grains) == pytest.approx(1.0 / (weight / removal).sum(), rel=0.011)


def test_rows_that_nearly_coincide_are_a_step():
    step = GrainRemoval(
        diameter_um=[5.0, np.nextafter(5.0, 6.0)],
        removal_fraction=[0.0, 1.0],
        median_um=5.0,
        geometric_sd=1.5,
    )
    above = 1.0 - lognorm(np.log(1.5), scale=area_median_um(step)).cdf(5.0)
    assert fresh_removal(step) == pytest.approx(above, abs=1e-8)
    even = GrainRemoval(diameter_um=[1.0, 25.0], removal_fraction=[0.0, 1.0], median_um=5.0, geometric_sd=1.0)
    assert fresh_removal(even) == pytest.approx(0.5)


def test_one_removal_for_all_sizes_is_that_removal():
    flat = GrainRemoval(
        diameter_um=[1.0, 100.0], removal_fraction=[0.77, 0.77], median_um=5.8, geometric_sd=2.0
    )
    assert fresh_removal(flat) == pytest.approx(0.77)
    assert settled_removal(flat) == pytest.approx(0.77)
    by_size = dust_history(Dust(loss_per_day=0.01), Shield(cycle_hours=48.0, grains=flat), 0.0, 0.0, 40 * DAY)
    plain = dust_history(Dust(loss_per_day=0.01), Shield(cycle_hours=48.0, removal=0.77), 0.0, 0.0, 40 * DAY)
    np.testing.assert_allclose(by_size.load_days, plain.load_days, rtol=1e-12)


def test_finer_dust_is_removed_less_and_residue_is_finer_still():
    # a tenth smaller grains, less removed: the way of the published 77.3 % at 5.8 um and 47.1 % at 5.2 um
    coarser = GrainRemoval(
        diameter_um=STEEP.diameter_um,
        removal_fraction=STEEP.removal_fraction,
        median_um=5.8,
        geometric_sd=1.6,
    )
    assert fresh_removal(coarser) > fresh_removal(STEEP)
    assert settled_removal(STEEP) < fresh_removal(STEEP)
    assert size_classes(STEEP).removal.min() < settled_removal(STEEP)


def test_long_cycles_settle_at_the_harmonic_mean():
    shield = Shield(cycle_hours=48.0, grains=STEEP)
    history = dust_history(Dust(loss_per_day=0.001), shield, 0.0, 0.0, 1000 * DAY)
    # before a cycle each class carries T / r, the whole T / r of the settled removal
    assert load_at(history, np.array([998.0 * DAY - 1.0]))[0] == pytest.approx(
        2.0 / settled_removal(STEEP), rel=1e-4
    )
    mine = history_of(removals(shield, 1000 * DAY), 1.0)
    np.testing.assert_allclose(mine.load_days, history.load_days, rtol=1e-12)


def test_a_size_that_is_never_removed_leaves_no_settled_removal():
    stuck = GrainRemoval(
        diameter_um=[3.0, 30.0], removal_fraction=[0.0, 1.0], median_um=3.0, geometric_sd=2.0
    )
    assert settled_removal(stuck) == 0.0
    assert 0.0 < fresh_removal(stuck) < 1.0


def test_a_visit_takes_all_sizes_alike():
    found = removals(Shield(cycle_hours=240.0, grains=STEEP), 15 * DAY, ((12 * DAY, 0.5),))
    assert found.kept.shape == (len(size_classes(STEEP).share), 2)
    np.testing.assert_allclose(found.kept[:, 1], 0.5)
