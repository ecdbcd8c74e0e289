"""Light of one unit by facing and row, what it is worth at given prices, and the best facing of all at those prices.

A unit is worth sum over rows of price times light: the energy of a facing under a sky whose light is weighted with the price of its
hour. So the search of `planning.orientation` for the best facing finds the unit worth most, and its bound says what none exceeds.

Of whole units what serves directly has a price besides (`dual_bound`), in each row that of min(light, all that is asked). No sum over
steps of the Sun is that, but one is no less: a row's light at its mean direction, through the acceptance averaged about it in the
way that gives most (`rows_through`) and cut off at a share kappa. With E what a square aperture gets and A what
is asked, min(a E, A) <= min(a, kappa) max(E, A / kappa) for any acceptance a and any kappa: a few of them, for rows with about
as much light beside what is asked.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.model import Acceptance, Collector
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.energy.integration import Setting, TimeGrid
from yieldsim.energy.spectral_transmittance import energy_acceptance
from yieldsim.energy.sunlit import LitSteps
from yieldsim.planning.habitat.reliability import Flags
from yieldsim.planning.orientation.best_facing import Added, annual_bound
from yieldsim.planning.orientation.mount_frames import Facings, spread_over_sky
from yieldsim.planning.orientation.objectives import Prospect
from yieldsim.planning.orientation.pattern_search import search_turned
from yieldsim.planning.orientation.turned_bound import turned_bound
from yieldsim.planning.sunlight.cumulative_sky import WeightedSky, weigh
from yieldsim.planning.sunlight.facing_energy import Sweep
from yieldsim.planning.sunlight.histogram import CLASS_BASE, added_up, cell_numbers
from yieldsim.planning.sunlight.refinement_flags import roughness
from yieldsim.planning.sunlight.spatial_index import banded
from yieldsim.planning.system.terms import Terms
from yieldsim.planning.unit_sets.candidates import spread

FINEST_DEG = 0.05
PEAK_STEP, PEAKS_APART = 0.3, 0.35
"""Steps of the fine spread, and distance of the peaks in it, in steps between candidates."""
PEAK_SHARE, MUCH_SHARE, MOST_PEAKS = 0.97, 0.85, 60
CLOSE_TOLERANCE = 1e-4
"""Share of the worth of the best unit that a bound on all facings may be above it, however many patches are looked at."""
CURVATURES = (0.0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0)
"""Of quadratic functions above the acceptance, in its range within what a row's light may meet by the variance of that."""
MOST_WIDENING, ALIKE = 0.2, 1.25
"""Whole units are told from split ones where the Sun, within a row, is at most this share of what the optics accept off its mean.
Rows are read alike whose light beside what is asked differs by no more than such a factor."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SurplusRows:
    """Rows in which a unit may give more light than loads can take directly, as points of the sky.

    row           (n,)
    sun_enu_xyz   (n, 3)  its mean direction in each
    kwh           (n,)  A / kappa
    group         (n,)  of rows read alike
    kappa         (groups,)  the least A / E of a group
    apart_rad     (groups,)  how far the Sun comes from its mean direction in a row of it
    across, along   (groups,)  the most of `_deviations` in a group
    """

    row: NDArray[np.int64]
    sun_enu_xyz: FloatArray
    kwh: FloatArray
    group: NDArray[np.int64]
    kappa: FloatArray
    apart_rad: FloatArray
    across: FloatArray
    along: FloatArray

    @classmethod
    def of(cls, prospect: Prospect, asked_kwh: FloatArray) -> SurplusRows | None:
        """Of round optics, where the Sun moves little within a row beside what they accept; else None, and where there are none.

        asked_kwh   (rows,)  light that serves all loads directly
        """
        track, year = prospect.track, prospect.year
        ready = year.ready
        row = track.step // track.steps_per_interval
        kwh = track.power_w.astype(np.float64) * (track.step_hours / 1000.0)
        most = np.bincount(row, kwh, len(asked_kwh))[: len(asked_kwh)]
        told = np.flatnonzero((most * ready.curve.max() > asked_kwh) & (asked_kwh > 0.0))
        if prospect.rolls_matter or len(told) == 0:
            return None
        sun = track.sun_enu_xyz.astype(np.float64)
        rows = int(row.max()) + 1
        sums: FloatArray = np.zeros((rows, 3))
        np.add.at(sums, row, kwh[:, None] * sun)
        length = np.maximum(np.linalg.norm(sums, axis=1, keepdims=True), 1e-300)
        mean = sums / length
        chord = np.zeros(rows)
        np.maximum.at(chord, row, np.linalg.norm(sun - mean[row], axis=1))
        if 2.0 * math.asin(min(0.5 * float(chord.max()), 1.0)) > MOST_WIDENING * ready.reach_rad:
            return None
        share = asked_kwh[told] / most[told]
        alike = np.unique(np.log(share / share.min()) // math.log(ALIKE), return_inverse=True)[1].ravel()
        groups = [alike == number for number in range(int(alike.max()) + 1)]
        kappa = np.array([float(share[own].min()) for own in groups])
        furthest = [0.5 * float(chord[told[own]].max()) for own in groups]
        across, along = _deviations(row[kwh > 0.0], kwh[kwh > 0.0], sun[kwh > 0.0], mean)
        return cls(
            row=told,
            sun_enu_xyz=mean[told],
            kwh=asked_kwh[told] / kappa[alike],
            group=alike,
            kappa=kappa,
            apart_rad=np.array([2.0 * math.asin(min(half, 1.0)) for half in furthest]),
            across=np.array([across[told[own]].max() for own in groups]),
            along=np.array([along[told[own]].max() for own in groups]),
        )

    def added(self, sky: WeightedSky, price: FloatArray, first_class: int) -> WeightedSky:
        """A sky with these points, weighted with prices by row; first_class, as `told_apart` says."""
        worth = self.kwh * price[self.row]
        kept = np.flatnonzero(worth > 0.0)
        point = np.concatenate([self.sun_enu_xyz[kept], np.ones((len(kept), 1))], axis=1)
        classes = first_class + self.group[kept]
        keys = classes * np.int64(CLASS_BASE) + cell_numbers(self.sun_enu_xyz[kept], sky.cell_deg)
        keys, sums = added_up(keys, (worth[kept, None] * point)[None])
        return replace(
            sky,
            sums=np.concatenate([sky.sums, np.repeat(sums, len(sky.sums), axis=0)], axis=1),
            period=np.append(sky.period, np.zeros(len(keys), np.int32)),
            radius_class=np.append(sky.radius_class, (keys // CLASS_BASE).astype(np.int32)),
        )


class Told(NamedTuple):
    """A reader of skies with surplus rows, whose classes of the disc's radius come after the others: the first of each."""

    sweep: Sweep
    first_class: tuple[int, ...]


def told_apart(year: Sweep, some: Sequence[SurplusRows]) -> Told:
    """Classes for surplus rows beside those of a sky."""
    ready, classes = year.ready, year.sky.class_radius_deg
    curve = ready.curve.max(axis=0)
    cut = [
        np.minimum(rows_through(curve, ready.chord_step, apart, across, along), kappa)
        for one in some
        for apart, across, along, kappa in zip(one.apart_rad, one.across, one.along, one.kappa, strict=True)
    ]
    nodes = max(len(one) for one in cut)
    curves = [np.pad(one, (0, nodes - len(one))) for one in (*ready.curve, *cut)]
    apart_rad = np.concatenate([one.apart_rad for one in some])
    lookup = ready._replace(
        curve=np.ascontiguousarray(np.stack(curves)),
        reach_rad=2.0 * math.asin(min(0.5 * ready.chord_step * (nodes - 1), 1.0)),
        edge_rad=np.append(ready.edge_rad, ready.edge_rad.max() + apart_rad),
        radius_rad=np.append(ready.radius_rad, np.full(len(cut), ready.radius_rad.max())),
    )
    sky = replace(year.sky, class_radius_deg=np.append(classes, np.full(len(cut), classes.max())))
    bands = banded(sky, math.degrees(lookup.reach_rad))
    first = np.cumsum([len(classes), *(len(one.kappa) for one in some)])[:-1]
    sweep = Sweep(sky=sky, ready=lookup, rough=roughness(lookup, bands.block_rad), bands=bands)
    return Told(sweep, tuple(first.tolist()))


def _deviations(
    row: NDArray[np.int64], kwh: FloatArray, sun_enu_xyz: FloatArray, mean: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Standard deviation of a row's directions across its mean one, the most of any way, and along it; (rows,) each."""
    total = np.maximum(np.bincount(row, kwh, len(mean)), 1e-300)
    weight = kwh / total[row]
    centre: FloatArray = np.zeros_like(mean)
    np.add.at(centre, row, weight[:, None] * sun_enu_xyz)
    off = sun_enu_xyz - centre[row]
    square: FloatArray = np.zeros((len(mean), 3, 3))
    np.add.at(square, row, weight[:, None, None] * off[:, :, None] * off[:, None, :])
    along = np.einsum("ri,rij,rj->r", mean, square, mean)
    return np.sqrt(np.maximum(np.linalg.eigvalsh(square)[:, -1], 0.0)), np.sqrt(np.maximum(along, 0.0))


def rows_through(
    curve: FloatArray, chord_step: float, apart_rad: float, across: float, along: float
) -> FloatArray:
    """A round curve (n,) for light at its mean direction, no less than what all of it comes to through the given one.

    apart_rad       how far it may come from there
    across, along   standard deviations of its directions, any way across the mean one and along it

    The mean cosine is that at the mean direction, less apart^2 / 2 at most, and its standard deviation at theta from there is
    sin(theta) across + cos(theta) along at most (Minkowski). Let v be the square of that. A quadratic function that is nowhere
    below the curve at those cosines that may be met, of curvature 2 k at the mean, bounds the curve's mean by its value there plus
    k v: so the least concave function above  curve - k (cosine - mean)^2,  plus k v, is a bound for any k >= 0 (with k = 0 that
    of Jensen), and the least of several. Its largest value where the mean cosine may be, and a node around, bounds it between nodes.
    """
    # a node more for where directions lie between nodes
    around = math.ceil(apart_rad / chord_step) + 2
    wide = np.pad(curve, (0, 2 * around + 2))
    nodes = np.arange(len(wide))
    # cosines are 1 - (node step)^2 / 2
    cosine = 1.0 - 0.5 * (chord_step * nodes) ** 2
    low = np.maximum(nodes - np.arange(1, around + 1)[:, None], 0)
    high = np.minimum(nodes + np.arange(1, around + 1)[:, None], nodes[-1])
    share = (nodes**2 - low[:, None] ** 2) / np.maximum(high**2 - low[:, None] ** 2, 1)
    mixed = wide[low][:, None] + share * (wide[high] - wide[low][:, None])
    squared = (cosine[low] - cosine)[:, None] * (cosine - cosine[high])
    variance = (np.sqrt(np.maximum(1.0 - cosine**2, 0.0)) * across + np.abs(cosine) * along) ** 2
    range_of = np.abs(mixed - wide).max(axis=(0, 1)) / np.maximum(variance, 1e-300)
    found = np.full(len(wide), np.inf)
    for curved in CURVATURES:
        k = curved * range_of
        found = np.minimum(found, np.maximum(wide, (mixed - k * squared).max(axis=(0, 1))) + k * variance)
    last = np.ceil(np.sqrt(nodes**2 + (apart_rad / chord_step) ** 2)).astype(np.int64) + 2
    return np.array([*(found[max(node - 1, 0) : last[node]].max() for node in nodes[:-1]), 0.0])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sunlight:
    """The light of a place for one unit of a collector.

    row_hours   length of a row
    step_deg    distance between candidate facings; 0 where they were given
    table       the acceptance that energies are read through; None where nothing is to be joined to it
    surplus, told   where whole units are told from split ones, and the reader of that
    """

    prospect: Prospect
    row_hours: float
    candidates: Facings
    step_deg: float
    table: Acceptance | None = None
    surplus: SurplusRows | None = None
    told: Told | None = None

    @classmethod
    def of(cls, setting: Setting, grid: TimeGrid, given: Facings | None = None) -> Sunlight:
        """Walk through the run once; candidates as dense as the acceptance is wide, unless they are given."""
        collector: Collector = setting.collector
        sky, track = weigh(setting, grid)
        table = energy_acceptance(collector)
        prospect = Prospect.of(sky, track, table)
        hours = grid.interval_s / 3600.0
        if given is not None:
            return cls(prospect=prospect, row_hours=hours, candidates=given, step_deg=0.0, table=table)
        found = spread(prospect, "load")
        return cls(
            prospect=prospect, row_hours=hours, candidates=found.facings, step_deg=found.step_deg, table=table
        )

    def of_whole_units(self, terms: Terms) -> tuple[Sunlight, Terms]:
        """With terms for them, where their worth can be priced over the sky or at given facings."""
        if self.step_deg == 0.0:
            return self, terms.of_whole_units()
        surplus = SurplusRows.of(self.prospect, terms.needed_kwh(0.0))
        if surplus is None:
            return self, terms
        told = told_apart(self.prospect.year, (surplus,))
        return replace(self, surplus=surplus, told=told), terms.of_whole_units()

    @property
    def lit(self) -> Flags:
        """Rows with any light at the place, (rows,)."""
        track = self.prospect.track
        rows = track.step_count // track.steps_per_interval
        found = np.zeros(rows, dtype=bool)
        found[np.minimum(track.step // track.steps_per_interval, rows - 1)] = True
        return found

    def light_kwh(self, some: Facings) -> FloatArray:
        """Light of one unit of each facing, (rows, facings)."""
        return np.ascontiguousarray(self.prospect.power_w(some).T) * (self.row_hours / 1000.0)


def priced(sunlight: Sunlight, price: FloatArray, direct: FloatArray | None = None) -> Prospect:
    """The place under a sky weighted with prices by row, (rows,) or fewer: later rows are worth nothing.

    direct   (rows,)  of what serves directly: no facing is worth more than it is read to be
    """
    prospect, surplus, told = sunlight.prospect, sunlight.surplus, sunlight.told
    if direct is None or not direct.any():
        sweep = prospect.year.with_sky(weighted(prospect.track, prospect.year.sky, price))
    elif surplus is None or told is None:
        sweep = prospect.year.with_sky(weighted(prospect.track, prospect.year.sky, price + direct))
    else:
        sky = weighted(prospect.track, told.sweep.sky, untold(surplus, price, direct))
        sweep = told.sweep.with_sky(surplus.added(sky, direct, told.first_class[0]))
    return seen_through(prospect, sweep)


def untold(surplus: SurplusRows, price: FloatArray, direct: FloatArray) -> FloatArray:
    """Prices of light, (rows,), with those of what serves directly where all of a unit's light may."""
    price = price.copy()
    other = np.setdiff1d(np.flatnonzero(direct), surplus.row)
    price[other] += direct[other]
    return price


def seen_through(prospect: Prospect, sweep: Sweep) -> Prospect:
    """A place whose light is read from one sky for everything."""
    return replace(prospect, year=sweep, months=sweep, scout=sweep, scout_months=sweep, coarse=None)


def weighted(track: LitSteps, like: WeightedSky, price: FloatArray) -> WeightedSky:
    """Lit steps times the price of their row, in cells of the sky."""
    row = track.step // track.steps_per_interval
    by_row = np.zeros(track.step_count // track.steps_per_interval + 1)
    by_row[: len(price)] = price
    worth = track.power_w.astype(np.float64) * by_row[row] * (track.step_hours / 1000.0)
    kept = np.flatnonzero(worth > 0.0)
    sun = track.sun_enu_xyz[kept].astype(np.float64)
    clean = np.ones((1, len(kept)))
    if track.load_days.size:
        clean = track.dust.clean_at_rates(track.load_days[kept].astype(np.float64))
    keys = track.radius_class[kept] * np.int64(CLASS_BASE) + cell_numbers(sun, like.cell_deg)
    point = np.concatenate([sun, np.ones((len(kept), 1))], axis=1)
    keys, sums = added_up(keys, (clean * worth[kept])[:, :, None] * point[None])
    return replace(
        like,
        sums=np.ascontiguousarray(sums),
        period=np.zeros(len(keys), dtype=np.int32),
        radius_class=(keys // CLASS_BASE).astype(np.int32),
    )


def climbed(
    sunlight: Sunlight,
    at_prices: Prospect,
    starts: Facings,
    step_deg: float,
    beside: Callable[[Facings], FloatArray] | None = None,
) -> Facings:
    """Where facings come to that turn towards what is worth most, all of them.

    beside   what facings are worth beside their light over the run
    """

    def worth(some: Facings, _: FloatArray | None) -> FloatArray:
        found = at_prices.annual_kwh(some)
        return (found if beside is None else found + beside(some) / at_prices.years)[:, None]

    found, _ = search_turned(
        worth,
        lambda measures: measures[:, 0],
        starts,
        step_deg,
        finest_deg=FINEST_DEG,
        patience=1,
        survivors=starts.count,
        rolls=sunlight.prospect.rolls_matter,
    )
    return found


def peaks(
    sunlight: Sunlight,
    at_prices: Prospect,
    near: Facings,
    beside: Callable[[Facings], FloatArray] | None = None,
) -> Facings:
    """Facings to climb from: those of a fine spread over the sky that are worth nearly most, a way apart; for two angles, `near`.

    beside   as for `climbed`, told where the light alone is worth much
    """
    if at_prices.rolls_matter:
        return near
    from scipy.spatial import cKDTree

    spread = spread_over_sky(PEAK_STEP * sunlight.step_deg, np.zeros(1))
    worth = at_prices.annual_kwh(spread)
    if beside is not None:
        much = np.flatnonzero(worth > MUCH_SHARE * worth.max())
        spread = spread.take(much)
        worth = worth[much] + beside(spread) / at_prices.years
    good = np.argsort(-worth, kind="stable")
    good = good[worth[good] > PEAK_SHARE * worth.max()]
    normals = spread.take(good).axes_enu_xyz[:, 2]
    around = cKDTree(normals).query_ball_point(normals, np.radians(PEAKS_APART * sunlight.step_deg))
    left = np.ones(len(good), dtype=bool)
    chosen: list[int] = []
    for place, close in enumerate(around):
        if left[place] and len(chosen) < MOST_PEAKS:
            chosen.append(place)
            left[close] = False
    return spread.take(good[chosen])


def worth_bound(
    at_prices: Prospect, best: float, effort: float, added: Added | None = None, tolerance: float = CLOSE_TOLERANCE
) -> tuple[float, tuple[Facings, ...]]:  # fmt: skip
    """What no facing, at any roll, is worth more than; and one that is worth more than the best known, if it was met on the way.

    best    worth of the best unit known
    added   what facings are worth beside their light, as for `annual_bound` but over the run
    tolerance   of round optics
    """
    years = at_prices.years
    yearly = None if added is None else lambda *about: added(*about) / years
    if at_prices.rolls_matter:
        return turned_bound(at_prices, best / years, effort, yearly) * years, ()
    most, better = annual_bound(at_prices, best / years, effort, yearly, tolerance)
    return most * years, () if better is None else (better,)
