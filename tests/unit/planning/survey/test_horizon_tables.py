"""The Sun's tables by horizon, its passage in order of time, turning collectors, best places."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from yieldsim.base.clock import tdb_seconds
from yieldsim.base.model import Collector, HorizonMask, Mount, RoundAcceptance, Site
from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
from yieldsim.files.inputs.readers import read_body
from yieldsim.ground.local_sphere import LocalSphere
from yieldsim.planning.survey.collector_tables import turned_collector
from yieldsim.planning.survey.horizon_tables import (
    TOGETHER,
    SunPath,
    energy_tables,
    light_tables,
    seen_from,
    sun_path,
    visible_share,
)
from yieldsim.planning.survey.illumination import NO_CELL, at_turn, best_turn, cell_energy, cell_light
from yieldsim.planning.survey.longest_dark import longest_dark, passage
from yieldsim.sky.sun_track import prepare_track

UNIT_DEG = 0.002
AZIMUTHS = 72


def path_of(azimuth_deg, elevation_deg, hours=1.0, radius_deg=0.27, beam=1000.0):
    count = len(azimuth_deg)
    return SunPath(
        tdb_s=np.arange(count) * 3600.0 * hours,
        step_hours=hours,
        azimuth_deg=np.asarray(azimuth_deg, dtype=float),
        elevation_deg=np.asarray(elevation_deg, dtype=float),
        radius_deg=np.full(count, radius_deg),
        clear=np.ones(count),
        beam_w_m2=np.full(count, beam),
        above_air_w_m2=np.full(count, beam),
    )


def polar_path(days=60, seed=0):
    """A Sun that rolls along the horizon, an hour a step, with a slow tilt."""
    hour = np.arange(days * 24.0)
    azimuth = (0.508 * hour) % 360.0
    return path_of(azimuth, 1.5 * np.sin(2.0 * np.pi * hour / 700.0) + 0.4 * np.cos(np.radians(azimuth)))


def lit(path, horizon_units):
    low, high = horizon_units.min(axis=1).astype(int), horizon_units.max(axis=1).astype(int)
    tables = light_tables(path, AZIMUTHS, UNIT_DEG, low.min(), high.max())
    return cell_light(horizon_units, tables, passage(path, AZIMUTHS, UNIT_DEG, low, high))


def delivered(path, horizon_units, power_w, powered, wanted=None):
    low, high = horizon_units.min(), horizon_units.max()
    tables = energy_tables(path, AZIMUTHS, UNIT_DEG, int(low), int(high), power_w, powered)
    return cell_energy(horizon_units, tables, power_w.shape[1], wanted)


def random_horizons(cells, seed=1):
    rng = np.random.default_rng(seed)
    smooth = np.cumsum(rng.normal(0.0, 0.12, (AZIMUTHS, cells)), axis=0)
    smooth -= np.linspace(0, 1, AZIMUTHS)[:, None] * (smooth[-1] - smooth[0])[None, :]
    return np.round((smooth - 0.3) / UNIT_DEG).astype(np.int16)


def step_by_step(path, horizon_units):
    """The plain sum over time: horizon linear between azimuths, straight edge across the disc."""
    at = path.azimuth_deg / 360.0 * AZIMUTHS
    low = np.floor(at).astype(int)
    share = (at - low)[:, None]
    h = horizon_units * UNIT_DEG
    edges = (h[low % AZIMUTHS], h[(low + 1) % AZIMUTHS])
    seen = [visible_share((edge - path.elevation_deg[:, None]) / path.radius_deg[:, None]) for edge in edges]
    some = [(path.elevation_deg + path.radius_deg)[:, None] > edge for edge in edges]
    return seen[0] * (1 - share) + seen[1] * share, some[0] * (1 - share) + some[1] * share


def test_visible_share_of_the_disc():
    """Half at the middle; the closed form for a disc without limb darkening is within 0.03 of it everywhere."""
    cut = np.linspace(-1.2, 1.2, 25)
    share = visible_share(cut)
    x = np.clip(cut, -1.0, 1.0)
    uniform = (np.arccos(x) - x * np.sqrt(1.0 - x * x)) / np.pi
    assert share[12] == pytest.approx(0.5, abs=1e-12)
    assert (share[[0, -1]] == [1.0, 0.0]).all()
    assert np.abs(share - uniform).max() < 0.03


def test_sums_over_azimuths_are_the_sum_over_time():
    path, horizons = polar_path(), random_horizons(40)
    light = lit(path, horizons)
    seen, some = step_by_step(path, horizons)
    # rows of 0.01 deg: half of one moves a cell's hours by up to 0.3 % of the span here
    np.testing.assert_allclose(light.lit_hours, seen.sum(axis=0), atol=0.003 * path.hours)
    np.testing.assert_allclose(light.any_hours, some.sum(axis=0), atol=0.005 * path.hours)
    np.testing.assert_allclose(light.beam_kwh_m2, light.lit_hours, rtol=1e-5)
    assert abs(np.mean(light.lit_hours - seen.sum(axis=0))) < 0.0005 * path.hours


def test_a_disc_that_grows_and_shrinks():
    """On Mercury the disc's radius moves between 0.57 and 0.87 deg: large discs clear horizons that small ones don't."""
    path, horizons = polar_path(), random_horizons(40)
    # largest where the Sun stands highest: the mean size would be wrong on either side
    radius = 0.72 + 0.15 * path.elevation_deg / np.abs(path.elevation_deg).max()
    path = replace(path, radius_deg=radius, beam_w_m2=1000.0 * (radius / 0.72) ** 2)
    light = lit(path, horizons)
    seen, _ = step_by_step(path, horizons)
    assert abs(np.mean(light.lit_hours - seen.sum(axis=0))) < 0.0005 * path.hours
    np.testing.assert_allclose(light.lit_hours, seen.sum(axis=0), atol=0.003 * path.hours)
    kwh = (seen * path.beam_w_m2[:, None]).sum(axis=0) / 1000.0
    assert np.mean(light.beam_kwh_m2) == pytest.approx(kwh.mean(), rel=1e-3)


def test_extremes():
    path = polar_path()
    horizons = np.stack(
        [np.full(AZIMUTHS, -3000), np.full(AZIMUTHS, 3000), np.full(AZIMUTHS, NO_CELL)], axis=1
    )
    low, high = np.full(AZIMUTHS, -3000), np.full(AZIMUTHS, 3000)
    tables = light_tables(path, AZIMUTHS, UNIT_DEG, -3000, 3000)
    light = cell_light(horizons.astype(np.int16), tables, passage(path, AZIMUTHS, UNIT_DEG, low, high))
    np.testing.assert_allclose(light.lit_hours[:2], [path.hours, 0.0], rtol=1e-5)
    np.testing.assert_allclose(light.longest_dark_hours[:2], [0.0, path.hours])
    np.testing.assert_array_equal(light.longest_dark_cut_fraction[:2], [0.0, 1.0])
    assert np.isnan([values[2] for values in light]).all()


def daily_path(days=20):
    """A Sun that rises and sets, a quarter of an hour a step, higher from day to day."""
    hour = np.arange(0.0, days * 24.0, 0.25)
    azimuth = (15.0 * hour) % 360.0
    return path_of(azimuth, 30.0 * np.cos(np.radians(azimuth - 180.0)) + 0.5 * hour / 24.0 - 4.0, hours=0.25)


@pytest.mark.parametrize("cells", [1, 2, 30])
@pytest.mark.parametrize("make", [polar_path, daily_path])
@pytest.mark.parametrize("seed", range(3))
def test_longest_dark_in_order_of_time(seed, make, cells):
    """Against plain counting, also where all cells share their nights: a single cell shares everything with itself."""
    path, horizons = make(), random_horizons(cells, seed)
    path.clear[500:507] = 0.0  # a total eclipse is dark for every cell
    light = lit(path, horizons)
    nearest = np.rint(path.azimuth_deg / 360.0 * AZIMUTHS).astype(int) % AZIMUTHS
    top = np.rint((path.elevation_deg + path.radius_deg) / UNIT_DEG)
    top[path.clear == 0.0] = -1e6
    for cell in range(cells):
        longest = run = 0
        dark_now = horizons[nearest, cell] >= top
        for dark in dark_now:
            run = run + 1 if dark else 0
            longest = max(longest, run)
        assert light.longest_dark_hours[cell] == longest * path.step_hours
        begins = int(np.argmin(dark_now)) if not dark_now.all() else longest
        assert light.longest_dark_cut_fraction[cell] == (longest > 0 and longest in (begins, run))


def rolling_years(begin, years, steps_a_day=96, days_a_year=120):
    """A Sun that rolls along the horizon, higher and lower over the year, from a share of it after midsummer."""
    day = np.arange(years * days_a_year * steps_a_day) / steps_a_day
    year = 2.0 * np.pi * (day / days_a_year + begin)
    height = 1.5 * np.cos(year) + 0.2 * np.sin(year / years)
    azimuth = 360.0 * day % 360.0
    return path_of(azimuth, height + 0.5 * np.cos(np.radians(azimuth)), hours=0.25)


@pytest.mark.parametrize(("begin", "years"), [(0.0, 3), (0.5, 1)])
@pytest.mark.parametrize("up_deg", [-2.5, -1.0, 0.0, 1.0])
def test_longest_dark_by_windows_is_that_in_order(up_deg, begin, years):
    """From cells that are always lit, or all but a few steps, to cells that are never: the same steps and the same ends."""
    path = rolling_years(begin, years)
    path.clear[7000:7003] = 0.0
    horizons = random_horizons(60) + np.int16(up_deg / UNIT_DEG)
    horizons[:, 0] = horizons.min()
    low, high = horizons.min(axis=1).astype(int), horizons.max(axis=1).astype(int)
    passing = passage(path, AZIMUTHS, UNIT_DEG, low, high)
    windows = longest_dark(horizons, passing._replace(rolling=True))
    order = longest_dark(horizons, passing._replace(rolling=False))
    np.testing.assert_array_equal(windows[0], order[0])
    np.testing.assert_array_equal(windows[1], order[1])
    assert np.unique(order[0]).size > 2
    if up_deg >= 0.0:
        assert order[1].any() == (begin > 0.0)  # two halves of a winter


def test_the_same_sun_from_another_place():
    here, there = LocalSphere.at(-89.5, 20.0, 1_737_400.0), LocalSphere.at(-89.45, 80.0, 1_737_400.0)
    path, moon = polar_path(), read_body("moon").noun
    other = seen_from(path, moon, here.axes, there.axes)
    back = seen_from(other, moon, there.axes, here.axes)
    np.testing.assert_allclose(back.elevation_deg, path.elevation_deg, atol=1e-10)
    # a Sun straight above one place stands off the zenith of the other by the angle between them
    above = seen_from(replace(path_of([0.0], [90.0])), moon, here.axes, there.axes)
    angle = np.degrees(np.arccos(here.axes[2] @ there.axes[2]))
    assert above.elevation_deg[0] == pytest.approx(90.0 - angle, abs=1e-6)
    np.testing.assert_array_equal(other.beam_w_m2, path.beam_w_m2)


def test_the_sun_from_another_place_comes_through_the_air_there():
    """As a track of that place's own has it, 180 km away on Mars, where the low Sun is dimmed by another share."""
    mars = read_body("mars").noun
    start_s, end_s = (
        float(at) for at in tdb_seconds(np.array(["2027-03-01", "2027-03-05"], dtype="datetime64[ns]"))
    )
    ephemeris = open_ephemeris(mars, start_s, end_s)
    places = [(-20.0, 70.0), (-22.0, 72.5)]
    dusty = Site(name="x", body=mars, latitude_deg=0.0, longitude_deg=0.0, optical_depth=0.6)

    def path_at(*place):
        track = prepare_track(ephemeris, mars, *place, 0.0, start_s, end_s)
        return sun_path(track, dusty, start_s, end_s, 600.0)

    here, there = (LocalSphere.at(*place, 3_396_190.0, 3_376_200.0) for place in places)
    own = path_at(*places[1])
    other = seen_from(path_at(*places[0]), mars, here.axes, there.axes)
    np.testing.assert_allclose(other.elevation_deg, own.elevation_deg, atol=1e-4)
    np.testing.assert_allclose(other.beam_w_m2, own.beam_w_m2, atol=2e-3)
    assert np.abs(own.beam_w_m2 - path_at(*places[0]).beam_w_m2).max() > 20.0


# ---------------------------------------------------------------- collectors


ONE = (Mount(tilt_deg=88.0, azimuth_deg=30.0),)


def collector_of(width_deg=12.0, mounts=ONE):
    rows = [0.0, width_deg, 1.5 * width_deg]
    acceptance = RoundAcceptance(incidence_deg=rows, acceptance_fraction=[0.9, 0.6, 0.0], source="disc")
    return Collector(name="x", aperture_area_m2=0.5, mounts=mounts, acceptance=acceptance)


def test_turned_power_is_area_times_cosine_times_acceptance():
    from yieldsim.base.model import Site
    from yieldsim.base.numerics.vectors import direction_enu_xyz
    from yieldsim.energy.incidence import sun_in_mount_xyz
    from yieldsim.optics.acceptance import acceptance_at

    site = Site(name="x", body=read_body("moon").noun, latitude_deg=-89.0, longitude_deg=0.0)
    path = polar_path(days=20)
    collector = collector_of(
        mounts=(Mount(tilt_deg=88.0, azimuth_deg=30.0), Mount(tilt_deg=70.0, azimuth_deg=200.0, count=3))
    )
    turned = turned_collector(path, site, collector)
    power = turned.power_w(path, np.arange(path.tdb_s.size))
    sun = direction_enu_xyz(path.azimuth_deg, path.elevation_deg)
    for k in (0, 7, 100):
        expected = np.zeros(path.tdb_s.size)
        for mount in collector.mounts:
            local = sun_in_mount_xyz(sun, mount.tilt_deg, mount.azimuth_deg + turned.turns_deg[k], 0.0)
            share = np.maximum(local[:, 2], 0.0) * acceptance_at(collector.acceptance_table, local, 0.27)
            expected += 500.0 * mount.count * share
        # bilinear over half a degree of a table with a kink of 0.025 a degree, three units: a few watts of 1500
        np.testing.assert_allclose(power[:, k], expected, atol=6.0)


def test_delivered_energy_is_the_sum_over_time():
    from yieldsim.base.model import Site

    site = Site(name="x", body=read_body("moon").noun, latitude_deg=-89.0, longitude_deg=0.0)
    path, horizons = polar_path(), random_horizons(25)
    turned = turned_collector(path, site, collector_of())
    every = np.arange(path.tdb_s.size)
    power = turned.power_w(path, every)
    light = delivered(path, horizons, power, every)
    seen, _ = step_by_step(path, horizons)
    by_turn = seen.T @ power / 1000.0
    best = by_turn.max(axis=1)
    np.testing.assert_allclose(light.delivered_kwh, best, rtol=0.01)
    assert (light.delivered_kwh >= best * 0.995).all()
    # and at a turn that is asked for
    wanted = np.full(25, 33.0)
    fixed = delivered(path, horizons, power, every, wanted)
    np.testing.assert_allclose(fixed.delivered_kwh, by_turn[:, 33], rtol=0.01, atol=0.02)


def test_azimuths_that_make_no_whole_groups():
    """Energies are added several azimuths at a time: 71 of them are the sum of 71 rows, and a sum of nothing is nothing."""
    azimuths, cells, turns = 71, 9, 36
    path = polar_path()
    rng = np.random.default_rng(4)
    horizons = rng.integers(-1500, 1500, (azimuths, cells)).astype(np.int16)
    power = rng.uniform(0.0, 1.0, (path.tdb_s.size, turns)).astype(np.float32)
    tables = energy_tables(path, azimuths, UNIT_DEG, -1500, 1500, power, np.arange(path.tdb_s.size))
    found = cell_energy(horizons, tables, turns, np.full(cells, 5.0))
    row = (horizons.astype(int) - tables.lowest + tables.rows_step // 2) // tables.rows_step
    row = np.clip(row, 0, tables.turned.shape[1] - 1)
    place = (5 - np.repeat(tables.first_turn, TOGETHER)[:azimuths]) % turns
    expected = tables.turned[np.arange(azimuths)[:, None], row, place[:, None]].sum(axis=0)
    np.testing.assert_allclose(found.delivered_kwh, expected, rtol=1e-5)
    assert (tables.turned[azimuths:] == 0.0).all()
    assert (tables.turned[np.arange(azimuths), tables.dark_row[:azimuths]] == 0.0).all()


def test_a_collector_that_no_sun_reaches_delivers_nothing():
    path, horizons = polar_path(), random_horizons(5)
    power = np.zeros((path.tdb_s.size, 36), dtype=np.float32)
    energy = delivered(path, horizons, power, np.arange(path.tdb_s.size))
    np.testing.assert_array_equal(energy.delivered_kwh, 0.0)
    assert np.isfinite(energy.turn).all()


def test_top_of_the_turns():
    turns = np.arange(24)
    sums = (10.0 + np.cos(2.0 * np.pi * (turns - 7.3) / 24.0)).astype(np.float32)
    assert best_turn(sums) == pytest.approx(7.3, abs=0.01)
    assert at_turn(sums, 7.3) == pytest.approx(11.0, abs=1e-3)
    assert at_turn(sums, 7.3 - 24.0) == pytest.approx(at_turn(sums, 7.3), abs=1e-6)
    flat = np.zeros(24, dtype=np.float32)
    assert at_turn(flat, best_turn(flat)) == 0.0


def test_masks_and_tables_know_the_same_disc():
    """The survey's straight edge and the estimate's disc against a level mask agree."""
    import xarray as xr

    from yieldsim.ground.visible_disc import add_visibility

    elevation = np.linspace(-0.4, 0.4, 41)
    ds = xr.Dataset(coords={"time": np.arange(41)})
    names = ("solar_azimuth_deg", "solar_elevation_deg", "sun_angular_radius_deg")
    for name, values in zip(names, (np.zeros(41), elevation, np.full(41, 0.27)), strict=True):
        ds[name] = ("time", values)
    mask = HorizonMask(azimuth_deg=np.array([0.0, 180.0]), elevation_deg=np.zeros(2))
    seen = add_visibility(ds, mask, 0.0)["disc_visible_fraction"].values
    np.testing.assert_allclose(seen, visible_share(-elevation / 0.27), atol=1e-4)
