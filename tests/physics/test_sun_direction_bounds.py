"""The interpolated track against the exact sky: the bound it states holds, and how it is asked doesn't matter."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from runpy import run_path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yieldsim.base.clock import tdb_seconds, utc_from_tdb
from yieldsim.base.errors import CannotCompute
from yieldsim.base.model import RotationElements
from yieldsim.base.numerics.vectors import angle_between_deg, direction_enu_xyz
from yieldsim.sky.apparent import SiteSky
from yieldsim.sky.season import solar_longitude_deg
from yieldsim.sky.sun_track import prepare_track

START = 8.0e8
YEAR_S = 365.25 * 86_400.0
WORLDS = ("moon", "mars", "mercury", "earth")


@pytest.mark.parametrize("name", WORLDS)
def test_stated_bound_holds(world, name: str) -> None:
    """At thousands of moments of a year; measured: Moon 6e-9 deg, Mars 2e-9, Earth 2e-9, Mercury 3e-11."""
    body, ephemeris = world(name)
    random = np.random.default_rng(11)
    for latitude in (-89.66, 18.4):
        site = (latitude, 129.2, 1900.0)
        track = prepare_track(ephemeris, body, *site, START, START + YEAR_S)
        tdb_s = np.sort(random.uniform(START, START + YEAR_S, 6000))
        sky = SiteSky(ephemeris, body, *site)
        error = angle_between_deg(track.sun.at(tdb_s).T, sky.enu_au(tdb_s, (ephemeris.sun,)))
        assert error.max() <= track.error_bound_deg < 1e-7
        assert error.max() < 1e-8
        season = track.season.at(tdb_s)[0] - solar_longitude_deg(ephemeris, body, tdb_s)
        assert np.abs((season + 180.0) % 360.0 - 180.0).max() < 1e-5
        for (_, pieces), (_, position) in zip(track.occulters, ephemeris.occulters, strict=True):
            error = angle_between_deg(pieces.at(tdb_s).T, sky.enu_au(tdb_s, (position,)))
            assert error.max() <= track.error_bound_deg


def test_moon_against_the_library_alone(world) -> None:
    """The library places a site on a sphere by itself: its altitude and azimuth, with all its deflections of light."""
    from skyfield.api import load, load_file
    from skyfield.planetarylib import PlanetaryConstants

    from yieldsim.files.text.bundled import ephemeris_folder

    body, ephemeris = world("moon")
    constants = PlanetaryConstants()
    constants.read_text((ephemeris_folder() / "moon_080317.tf").open("rb"))
    constants.read_binary((ephemeris_folder() / "moon_pa_de421_1900-2050.bpc").open("rb"))
    constants.variables["BODY301_RADII"] = [1737.4] * 3
    import skyfield_data

    planets = load_file(skyfield_data.__path__[0] + "/data/de421.bsp")
    place = constants.build_latlon_degrees(
        constants.build_frame_named("MOON_ME_DE421"), -89.66, 129.2, 1900.0
    )
    days = 9300.0 + np.random.default_rng(5).uniform(0.0, 360.0, 500)
    t = load.timescale(builtin=True).tdb_jd(2_451_545.0 + np.floor(days), days % 1.0)
    altitude, azimuth, distance = (planets["moon"] + place).at(t).observe(planets["sun"]).apparent().altaz()
    track = prepare_track(ephemeris, body, -89.66, 129.2, 1900.0, 9300.0 * 86_400.0, 9660.0 * 86_400.0)
    ours = track.directions(days * 86_400.0)
    theirs = direction_enu_xyz(azimuth.degrees, altitude.degrees)
    assert angle_between_deg(direction_enu_xyz(ours[0], ours[1]), theirs).max() < 1e-8
    np.testing.assert_allclose(ours[2], distance.au, rtol=1e-9)


@pytest.mark.parametrize("name", WORLDS)
def test_stated_bound_holds_against_the_library(world, name: str) -> None:
    """As the benchmark compares them, the Earth's bending of light apart: without that the Earth is 1.1e-7 deg off."""
    bench = run_path(str(Path(__file__).parents[1] / "benchmarks" / "bench_sun_track.py"))
    body, ephemeris = world(name)
    place = bench["PLACES"][name]
    track = prepare_track(ephemeris, body, *place, START, START + YEAR_S)
    tdb_s = START + np.random.default_rng(3).uniform(0.0, YEAR_S, 3000)
    library = bench["library_site"](name, body, ephemeris, place)
    theirs = bench["step_by_step"](library, ephemeris.sun, tdb_s)
    azimuth_deg, elevation_deg, _ = track.directions(tdb_s)
    off_deg = bench["largest_difference_deg"](name, azimuth_deg, elevation_deg, theirs)
    assert off_deg <= max(track.error_bound_deg, bench["ROUNDING_DEG"])


@pytest.mark.parametrize("name", WORLDS)
def test_blocks_give_the_same_bits(world, name: str) -> None:
    body, ephemeris = world(name)
    track = prepare_track(ephemeris, body, -12.5, 77.5, 0.0, START, START + 0.2 * YEAR_S)
    tdb_s = np.arange(START, START + 0.2 * YEAR_S, 1000.0)
    utc = utc_from_tdb(tdb_s)
    whole = track.dataset(tdb_s, utc)
    for size in (1, 129, 2500):
        part = track.dataset(tdb_s[100 : 100 + size], utc[100 : 100 + size])
        for variable in whole.data_vars:
            np.testing.assert_array_equal(part[variable].values, whole[variable].values[100 : 100 + size])
    shuffled = np.random.default_rng(1).permutation(len(tdb_s))
    np.testing.assert_array_equal(
        track.directions(tdb_s[shuffled])[0], whole["solar_azimuth_deg"].values[shuffled]
    )


def test_dataset_says_what_it_holds(world) -> None:
    body, ephemeris = world("mars")
    track = prepare_track(ephemeris, body, 0.0, 0.0, 0.0, START, START + 1e6)
    tdb_s = START + np.arange(0.0, 1e6, 600.0)
    ds = track.dataset(tdb_s, utc_from_tdb(tdb_s))
    assert list(ds.data_vars) == [
        "solar_azimuth_deg",
        "solar_elevation_deg",
        "sun_distance_au",
        "sun_angular_radius_deg",
        "solar_longitude_deg",
        "local_true_solar_time_hours",
    ]
    assert ds["solar_azimuth_deg"].attrs["standard_name"] == "solar_azimuth_angle"
    noon = int(np.abs(ds["local_true_solar_time_hours"].values - 12.0).argmin())
    assert float(ds["solar_elevation_deg"][noon]) > 60.0
    expected = np.degrees(np.arcsin(695_700.0 / 149_597_870.7 / ds["sun_distance_au"].values))
    np.testing.assert_allclose(ds["sun_angular_radius_deg"].values, expected, rtol=1e-13)


def test_outside_the_span_is_an_error(world) -> None:
    body, ephemeris = world("mars")
    track = prepare_track(ephemeris, body, 0.0, 0.0, 0.0, START, START + 1e5)
    for moment in (START - 1.0, START + 1e5 + 1.0, np.nan):
        with pytest.raises(ValueError, match="leave the span"):
            track.directions(np.array([START + 5.0, moment]))


@pytest.mark.parametrize("span", [(-1e9, 0.0), (0.0, 2e9), (1e6, 0.0)])
def test_span_that_the_ephemeris_was_not_opened_for(world, span: tuple[float, float]) -> None:
    body, ephemeris = world("mars")
    with pytest.raises(ValueError, match="was not opened for"):
        prepare_track(ephemeris, body, 0.0, 0.0, 0.0, *span)


@pytest.mark.parametrize("length_s", [0.0, 1.0, 3600.0])
def test_short_spans(world, length_s: float) -> None:
    body, ephemeris = world("mars")
    track = prepare_track(ephemeris, body, 4.0, 137.0, -4500.0, START, START + length_s)
    tdb_s = np.linspace(START, START + length_s, 5)
    exact = SiteSky(ephemeris, body, 4.0, 137.0, -4500.0).enu_au(tdb_s, (ephemeris.sun,))
    assert angle_between_deg(track.sun.at(tdb_s).T, exact).max() < 1e-8


def test_unreachable_tolerance_is_refused(world) -> None:
    body, ephemeris = world("moon")
    with pytest.raises(CannotCompute, match="allow a larger error"):
        prepare_track(ephemeris, body, 0.0, 0.0, 0.0, START, START + 1e6, tolerance_deg=1e-14)


def test_a_fast_rotator_gets_short_pieces(world) -> None:
    """A made-up world turning once in two hours where Mars is."""
    body, ephemeris = world("mars")
    spinning = replace(
        body,
        mean_solar_day_hours=60.0,  # wrong on purpose: the pieces must be halved until they are right
        rotation=RotationElements(
            pole_right_ascension_deg=(10.0,),
            pole_declination_deg=(40.0,),
            prime_meridian_deg=(5.0, 360.0 * 12.0),
        ),
    )
    track = prepare_track(ephemeris, spinning, 30.0, 10.0, 0.0, START, START + 5.0 * 86_400.0)
    assert track.sun.piece_s < 8000.0
    tdb_s = START + np.random.default_rng(2).uniform(0.0, 5.0 * 86_400.0, 2000)
    exact = SiteSky(ephemeris, spinning, 30.0, 10.0, 0.0).enu_au(tdb_s, (ephemeris.sun,))
    assert angle_between_deg(track.sun.at(tdb_s).T, exact).max() <= track.error_bound_deg < 1e-7


# ---------------------------------------------------------------- the bare poles of the Moon


def test_light_at_the_poles_of_a_smooth_moon(world) -> None:
    """Shares of 2000 to 2050 with any part, the centre, all of the disc above the horizon of a smooth sphere, computed
    independently with DE421 and its librations. Tolerance: 3e-4, the sampling of the fifty years."""
    body, ephemeris = world("moon")
    start, end = tdb_seconds(np.array(["2000-01-01", "2050-01-01"], dtype="datetime64[ns]"))
    tdb_s = np.arange(start, end, 6.0 * 3600.0)
    table = {
        -90.0: {
            0.0: (0.5575, 0.5021, 0.4462),
            2.0: (0.5758, 0.5202, 0.4646),
            100.0: (0.6963, 0.6332, 0.5748),
        },
        90.0: {0.0: (0.5538, 0.4979, 0.4425)},
    }
    for latitude, by_height in table.items():
        _, elevation, distance = prepare_track(ephemeris, body, latitude, 0.0, 0.0, start, end).directions(
            tdb_s
        )
        radius = np.degrees(np.arcsin(695_700.0 / 149_597_870.7 / distance))
        for height_m, expected in by_height.items():
            dip = np.degrees(np.arccos(1_737_400.0 / (1_737_400.0 + height_m)))
            shares = [(elevation > -dip + part * radius).mean() for part in (-1.0, 0.0, 1.0)]
            np.testing.assert_allclose(shares, expected, rtol=0, atol=3e-4)


# ---------------------------------------------------------------- laws


@settings(max_examples=20, deadline=None)
@given(longitude=st.floats(-180.0, 360.0), pole=st.sampled_from([-90.0, 90.0]))
def test_north_at_a_pole_is_the_stated_meridian_continued(world, longitude: float, pole: float) -> None:
    """A site a few metres before the pole on the meridian sees the same sky as the pole itself with that longitude."""
    body, ephemeris = world("moon")
    tdb_s = START + np.arange(0.0, 3e6, 1e5)
    at_pole = prepare_track(ephemeris, body, pole, longitude, 0.0, START, START + 3e6).directions(tdb_s)
    before = prepare_track(
        ephemeris, body, pole * (1.0 - 1e-6), longitude, 0.0, START, START + 3e6
    ).directions(tdb_s)
    first, second = (direction_enu_xyz(azimuth, elevation) for azimuth, elevation, _ in (at_pole, before))
    assert angle_between_deg(first, second).max() < 2e-4


@settings(max_examples=20, deadline=None)
@given(
    latitude=st.floats(-89.0, 89.0),
    longitude=st.floats(-180.0, 180.0),
    turn=st.floats(1.0, 359.0),
    days=st.floats(0, 600),
)
def test_longitude_is_time_of_day(world, latitude: float, longitude: float, turn: float, days: float) -> None:
    """Going east by an angle moves true solar time on by that angle, but for parallax and diurnal aberration (0.01 deg)."""
    body, ephemeris = world("mars")
    tdb_s = START + days * 86_400.0 + np.arange(0.0, 9e4, 3e3)
    span = (tdb_s[0], tdb_s[-1])
    hours = [
        prepare_track(ephemeris, body, latitude, place, 0.0, *span)
        .dataset(tdb_s, utc_from_tdb(tdb_s))["local_true_solar_time_hours"]
        .values
        for place in (longitude, longitude + turn)
    ]
    later = (hours[1] - hours[0] - turn / 15.0 + 12.0) % 24.0 - 12.0
    assert np.abs(later).max() < 0.01 / 15.0
