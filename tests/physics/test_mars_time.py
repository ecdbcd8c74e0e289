"""Season and solar time: Mars's worked examples, SPICE's solar longitude, the length of days."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from agreement import sky as agreed
from agreement.published import table, value
from agreement.worlds import subsolar_point_deg

from yieldsim.base.clock import tdb_seconds, utc_from_tdb
from yieldsim.sky.season import season_return_days, solar_longitude_deg
from yieldsim.sky.sun_track import prepare_track

EXAMPLES = table("mars_time_worked_examples.csv")


def seconds(text: str) -> np.ndarray:
    return tdb_seconds(np.array([text], dtype="datetime64[ns]"))


@pytest.mark.parametrize("row", EXAMPLES, ids=lambda row: row["utc"])
def test_worked_examples(world, row: dict[str, str]) -> None:
    """Tolerances: the largest differences of the recipe from DE421 with the IAU pole over 1990 to 2050 (computed):
    Ls 0.0112 deg, sub-solar longitude 0.0110 deg, latitude 0.0066 deg, distance 2.5e-4 au.

    The recipe turns its planetocentric declination into a planetographic one by adding 0.25 deg sin Ls (the exact
    term reaches 0.263 deg); that term is taken off again.
    """
    body, ephemeris = world("mars")
    tdb_s = seconds(row["utc"])
    given = {key: float(value) for key, value in row.items() if key != "utc"}
    assert solar_longitude_deg(ephemeris, body, tdb_s)[0] == pytest.approx(
        given["solar_longitude_deg"], abs=0.0112
    )
    latitude, longitude = subsolar_point_deg(ephemeris, body, tdb_s)
    rounded_to_graphic_deg = 0.25 * np.sin(np.radians(given["solar_longitude_deg"]))
    assert latitude[0] == pytest.approx(given["declination_deg"] - rounded_to_graphic_deg, abs=0.0066)
    assert -longitude[0] % 360.0 == pytest.approx(given["subsolar_longitude_west_deg"], abs=0.011)
    track = prepare_track(
        ephemeris, body, 0.0, -given["longitude_west_deg"], 0.0, tdb_s[0] - 1e5, tdb_s[0] + 1e5
    )
    ds = track.dataset(tdb_s, utc_from_tdb(tdb_s))
    assert float(ds["sun_distance_au"][0]) == pytest.approx(given["sun_distance_au"], abs=2.5e-4)
    assert float(ds["solar_longitude_deg"][0]) == pytest.approx(given["solar_longitude_deg"], abs=0.0112)
    difference = float(ds["local_true_solar_time_hours"][0]) - given["local_true_solar_time_hours"]
    assert abs((difference + 12.0) % 24.0 - 12.0) < 0.011 / 15.0


def test_equation_of_time() -> None:
    """True minus mean solar time at the prime meridian, the mean by Allison & McEwen's clock, is their equation."""
    found, given = agreed.equations_of_time_deg()
    np.testing.assert_allclose(found, given, rtol=0, atol=0.011)


def test_solar_longitude_against_spice(world) -> None:
    """LSPCN with light time and aberration. It takes the orbit from SPICE's own velocities and builds the same axes."""
    import skyfield_data
    import spiceypy

    body, ephemeris = world("mars")
    tdb_s = np.random.default_rng(7).uniform(-3e8, 1.5e9, 60)
    ours = solar_longitude_deg(ephemeris, body, tdb_s)
    spiceypy.kclear()
    spiceypy.furnsh(str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp"))
    elements = body.rotation
    angles = list(
        dict.fromkeys((row[1], row[2]) for row in elements.right_ascension_terms + elements.declination_terms)
    )
    spiceypy.pdpool("BODY4_NUT_PREC_ANGLES", np.ravel(angles))
    for part, rows in (("RA", elements.right_ascension_terms), ("DEC", elements.declination_terms)):
        amplitude = {(row[1], row[2]): row[0] for row in rows}
        spiceypy.pdpool(f"BODY499_NUT_PREC_{part}", [amplitude.get(angle, 0.0) for angle in angles])
    spiceypy.pdpool("BODY499_POLE_RA", [*elements.pole_right_ascension_deg, 0.0])
    spiceypy.pdpool("BODY499_POLE_DEC", [*elements.pole_declination_deg, 0.0])
    spiceypy.pdpool("BODY499_PM", [*elements.prime_meridian_deg, 0.0])
    theirs = np.degrees([spiceypy.lspcn("MARS", float(t), "LT+S") for t in tdb_s])
    spiceypy.kclear()
    assert np.abs((ours - theirs + 180.0) % 360.0 - 180.0).max() < 1e-6


def test_season_runs_through_a_mars_year() -> None:
    """Years 37 and 38 of Mars begin on the days of the published calendar."""
    assert 0.0 < agreed.mars_year_37() < 1.0
    assert 0.0 < agreed.mars_year_38() < 1.0


def test_mean_solar_days_are_those_of_the_bodies(world) -> None:
    """From noon to noon over many days: the body files' figures. Mercury: 175.9383 d from its two rates."""
    for name, days, tolerance in (("mars", 668.6, 2e-6), ("earth", 365.2422, 2e-6), ("moon", 248.0, 2e-4)):
        body, ephemeris = world(name)
        day_s = body.mean_solar_day_hours * 3600.0
        start = 7.0e8
        track = prepare_track(ephemeris, body, 10.0, 20.0, 0.0, start, start + (days + 1.0) * day_s)
        tdb_s = start + np.arange(0.0, days * day_s, day_s / 16.0)
        hours = track.dataset(tdb_s, utc_from_tdb(tdb_s))["local_true_solar_time_hours"].values
        turned = np.unwrap(hours, period=24.0)
        slope = np.polyfit(tdb_s - start, turned - 24.0 * (tdb_s - start) / day_s, 1)[0]
        assert abs(slope * day_s / 24.0) < tolerance * (1.0 if name == "moon" else 20.0)


def test_season_of_the_moon(world) -> None:
    """One turn in an eclipse year: the node of the lunar equator moves back once in 18.6 years.

    The small tilt of 1.54 deg makes the node feel the pole's physical libration: the daily rate swings by 0.3.
    """
    body, ephemeris = world("moon")
    tdb_s = 8.0e8 + np.arange(0.0, 10.0 * value("moon-season")) * 86_400.0
    turned = np.unwrap(solar_longitude_deg(ephemeris, body, tdb_s), period=360.0)
    assert (turned[-1] - turned[0]) / (len(tdb_s) - 1) == pytest.approx(
        360.0 / value("moon-season"), abs=1e-3
    )
    assert 0.65 < np.diff(turned).min() < np.diff(turned).max() < 1.45


def test_the_martian_year_is_its_tropical_year(world) -> None:
    """Allison & McEwen 2000, Planet. Space Sci. 48:215: sols of 88775.244 s, a mean over
    all seasons and decades. Single years differ by planets' pulls and by the season they start from."""
    body, ephemeris = world("mars")
    start = float(seconds("2005-01-01")[0])
    sol_days = 88_775.244 / 86_400.0
    starts = start + np.arange(0.0, 687.0, 687.0 / 12.0) * 86_400.0
    singles = [season_return_days(ephemeris, body, float(at)) for at in starts]
    assert np.abs(np.array(singles) / sol_days - value("mars-year")).max() < 0.12
    assert agreed.mars_year() == pytest.approx(value("mars-year"), abs=0.003)
    # and it is the season that returns
    again = start + singles[0] * 86_400.0
    both = solar_longitude_deg(ephemeris, body, np.array([start, again]))
    assert both[1] == pytest.approx(both[0], abs=1e-5)


def test_other_years() -> None:
    """Periods of NASA's planetary fact sheets (values from memory); Mercury turns slowly and its pole hardly."""
    assert agreed.mercury_year() == pytest.approx(value("mercury-year"), abs=0.03)
    assert agreed.earth_year() == pytest.approx(value("earth-year"), abs=0.02)
