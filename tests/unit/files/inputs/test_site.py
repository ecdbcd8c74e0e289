"""Site files: every key works, every slip is told in words."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.errors import InputError
from yieldsim.base.model import HorizonMask, OpticalDepthTable, TerrainHorizon
from yieldsim.files.inputs.readers import read_site


def told(path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_site(path)
    return str(caught.value).split("\n")


def test_a_good_site(folder) -> None:
    loaded = read_site(folder.site())
    site = loaded.noun
    assert (site.name, site.body.name) == ("Test Ridge", "Moon")
    assert (site.latitude_deg, site.longitude_deg, site.elevation_m, site.mast_height_m) == (
        -89.5,
        222.5,
        1900,
        10,
    )
    assert isinstance(site.elevation_m, float)
    assert isinstance(site.horizon, HorizonMask)
    np.testing.assert_array_equal(site.horizon.azimuth_deg, [0, 90, 180, 270])
    np.testing.assert_array_equal(site.horizon.elevation_deg, [1.5, -0.25, 0, 2])
    assert site.optical_depth is None
    assert site.dust is not None
    assert site.dust.events[0].time_utc == "2027-03-01T00:00:00"
    assert {source.role: source.name for source in loaded.sources} == {
        "site": "site.toml",
        "body": "moon.toml",
        "horizon table": "horizon.csv",
    }
    assert all(len(source.sha256) == 64 for source in loaded.sources)


def test_every_problem_of_site_and_table_at_once(folder) -> None:
    folder.write("horizon.csv", "azimuth_deg,elevation_deg\n0,1\n20,95\n10,x\n")
    path = folder.site(
        ("latitude_deg = -89.5", "latitude_deg = 98.2"),
        ("mast_height_m", "mast_hight_m"),
        ("loss_per_day", "los_per_day"),
        ("removes = 0.6", "removes = true"),
    )
    assert told(path) == [
        "site.toml line 3: latitude_deg is 98.2; allowed: -90 to 90",
        'site.toml line 6: unknown key "mast_hight_m" (did you mean mast_height_m?)',
        'site.toml line 12: [dust] has an unknown key "los_per_day" (did you mean loss_per_day?)',
        "site.toml line 13: [dust] events #1 removes is true; allowed: a number, 0 to 1",
        'horizon.csv line 3: elevation_deg is "95"; allowed: -90 to 90',
        "horizon.csv line 4: azimuth_deg 10 follows 20; allowed: values that increase (sort the rows)",
        'horizon.csv line 4: elevation_deg is "x"; allowed: a number, -90 to 90',
    ]


def test_a_misspelt_table_is_named_and_still_read(folder) -> None:
    folder.write("horizon.csv", "azimuth_deg,elevation_deg\n0,99\n")
    assert told(folder.site(("[horizon]", "[horzion]"))) == [
        "site.toml line 8: unknown table [horzion] (did you mean [horizon]?)",
        'horizon.csv line 2: elevation_deg is "99"; allowed: -90 to 90',
    ]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "Test Ridge"\n', "", "site.toml: name is missing"),
        ('name = "Test Ridge"', "name = 5", "line 1: name is 5; allowed: text in quotes"),
        ('name = "Test Ridge"', 'name = " "', 'line 1: name is " "; allowed: 1 to 120 visible'),
        ('name = "Test Ridge"', r'name = "a\u0000b"', r'name is "a\x00b"; allowed: 1 to 120 visible'),
        (
            'body = "moon"',
            'body = "mon"',
            "line 2: body is 'mon'; allowed: earth, mars, mercury, moon, or a path",
        ),
        ('body = "moon"', 'body = "mon"', "(did you mean moon?)"),
        ('body = "moon"', "body = 301", "line 2: body is 301; allowed: the name of a body or a body file"),
        ("latitude_deg = -89.5", "latitude_deg = true", "latitude_deg is true; allowed: a number, -90 to 90"),
        (
            "latitude_deg = -89.5",
            'latitude_deg = "-89"',
            'latitude_deg is "-89"; allowed: a number, -90 to 90',
        ),
        ("latitude_deg = -89.5", "latitude_deg = nan", "latitude_deg is nan; allowed: -90 to 90"),
        ("latitude_deg = -89.5", "latitude_deg = [1]", "latitude_deg is a list; allowed: a number"),
        ("latitude_deg = -89.5\n", "", "site.toml: needs latitude_deg or latitude_planetographic_deg"),
        (
            "latitude_deg = -89.5",
            "latitude_deg = 1\nlatitude_planetographic_deg = 1",
            "line 4: latitude_planetographic_deg stands beside latitude_deg; allowed: only one of",
        ),
        ("longitude_deg = 222.5", "longitude_deg = 360.5", "longitude_deg is 360.5; allowed: -180 to 360"),
        ("elevation_m = 1900", "elevation_m = -inf", "elevation_m is -inf; allowed: -100000 to 100000"),
        ("elevation_m = 1900", f"elevation_m = {10**400}", "elevation_m is a huge number; allowed"),
        ("mast_height_m = 10.0", "mast_height_m = -1", "mast_height_m is -1; allowed: 0 to 10000"),
        ('[horizon]\ntable = "horizon.csv"\n', "", "[horizon] is missing (flat = true is the bare body"),
        ('[horizon]\ntable = "horizon.csv"\n', "horizon = 5\n", "[horizon] is 5; allowed: a table"),
        ('table = "horizon.csv"', "", "line 8: [horizon] needs table, terrain or flat"),
        (
            'table = "horizon.csv"',
            'table = "horizon.csv"\nflat = true',
            "line 10: [horizon] flat stands beside table",
        ),
        ('table = "horizon.csv"', "flat = false", "[horizon] flat is false; allowed: true"),
        ('table = "horizon.csv"', "flat = 1", "[horizon] flat is 1; allowed: true or false"),
        (
            'table = "horizon.csv"',
            "table = 5",
            "[horizon] table is 5; allowed: the name of a file, in quotes",
        ),
        ('table = "horizon.csv"', 'table = ""', "[horizon] table is ''; allowed: the name of a file"),
        (
            'table = "horizon.csv"',
            'table = """a\nb"""',
            "[horizon] table is 'a\\nb'; allowed: the name of a file",
        ),
        ('table = "horizon.csv"', 'table = "horizn.csv"', "does not exist (did you mean horizon.csv?)"),
        ('table = "horizon.csv"', 'table = "."', 'names ".", which is a folder'),
        (
            'table = "horizon.csv"',
            "terrain = []",
            "[horizon] terrain is empty; allowed: one or more terrain files",
        ),
        ('table = "horizon.csv"', 'terrain = "a.tif"', '[horizon] terrain is "a.tif"; allowed: a list'),
        (
            'table = "horizon.csv"',
            'terrain = ["a.tif"]',
            '[horizon] terrain #1 names "a.tif", which does not exist',
        ),
        ('table = "horizon.csv"', "flat = true\nreach_km = 100", "reach_km stands without terrain"),
        (
            "[dust]",
            "[atmosphere]\noptical_depth = 1\n[dust]",
            "[atmosphere] is given, but Moon has no atmosphere",
        ),
        ("loss_per_day = 1.0e-4\n", "", "[dust] needs loss_per_day or loss_per_sol"),
        (
            "loss_per_day = 1.0e-4",
            "loss_per_day = 1",
            "[dust] loss_per_day is 1; allowed: 0 or more, less than 1",
        ),
        (
            "loss_per_day",
            'model = "expo"\nloss_per_day',
            '[dust] model is "expo"; allowed: exponential, linear',
        ),
        ("loss_per_day", 'model = "linaer"\nloss_per_day', "(did you mean linear?)"),
        (
            "time = 2027-03-01",
            "time = 12:00:00",
            "[dust] events #1 time is 12:00:00; allowed: a date or a date",
        ),
        ("time = 2027-03-01", "time = 1066-03-01", "time is 1066-03-01; allowed: a year from 1700 to 2200"),
        ("time = 2027-03-01", 'time = "soon"', 'time is "soon"; allowed: a date or a date and time, like'),
        (
            "time = 2027-03-01",
            "time = 2016-12-31T23:59:60Z",
            "site.toml line 13 column 30: is not valid TOML: a moment within a leap second cannot be named; write 59",
        ),
        (
            "time = 2027-03-01",
            'time = "2016-12-31T23:59:60Z"',
            "allowed: seconds 00 to 59; a moment within a leap second cannot be named",
        ),
        ("removes = 0.6 }", "removes = 0.6 }, 5", "[dust] events #2 is 5; allowed: a table"),
        ("[dust]", "[dusts]\nmast = 1\n[dust]", "unknown table [dusts] (did you mean [dust]?)"),
        (
            "[dust]",
            "[dust]\nelevation_m = 2",
            'line 12: [dust] has an unknown key "elevation_m" (elevation_m belongs at the top of the file',
        ),
        ("[dust]", "[dust]\nflat = true", '[dust] has an unknown key "flat" (flat belongs in [horizon])'),
        ("[dust]", "[dust]\nhorizon = 1", "([horizon] is a table of its own)"),
    ],
)
def test_each_slip_is_told(folder, old: str, new: str, words: str) -> None:
    assert any(words in line for line in told(folder.site((old, new)))), told(folder.site((old, new)))


def test_one_slip_is_told_once(folder) -> None:
    """A misspelt key is not also missing, nor a misspelt choice also unmade."""
    assert len(told(folder.site(("name =", "nme =")))) == 1
    assert len(told(folder.site(("latitude_deg =", "latitdue_deg =")))) == 1
    assert len(told(folder.site(("loss_per_day", "loss_pr_day")))) == 1
    assert len(told(folder.site(("loss_per_day = 1.0e-4", "loss_per_day = -1")))) == 1


@pytest.mark.parametrize(
    ("written", "used"), [("-160.0", -160.0), ("200", 200.0), ("0", 0.0), ("360", 360.0)]
)
def test_longitudes_both_ways(folder, mars_text: str, written: str, used: float) -> None:
    site = read_site(
        folder.site(("longitude_deg = -160.0", f"longitude_deg = {written}"), text=mars_text)
    ).noun
    assert site.longitude_deg == used


def test_planetographic_latitude_becomes_planetocentric(folder, mars_text: str) -> None:
    """tan(centric) = (3376.2 / 3396.19)^2 tan(graphic); the poles and the equator stay."""
    for graphic in (22.64, -45.0, 89.0):
        key = f"latitude_planetographic_deg = {graphic}"
        site = read_site(folder.site(("latitude_deg = 20.0", key), text=mars_text)).noun
        expected = math.degrees(math.atan((3376.20 / 3396.19) ** 2 * math.tan(math.radians(graphic))))
        assert site.latitude_deg == pytest.approx(expected, abs=1e-12)
        assert abs(site.latitude_deg) < abs(graphic)
    for kept in (90.0, -90.0, 0.0):
        site = read_site(
            folder.site(("latitude_deg = 20.0", f"latitude_planetographic_deg = {kept}"), text=mars_text)
        ).noun
        assert site.latitude_deg == pytest.approx(kept, abs=1e-12)


def test_loss_per_sol_is_by_the_bodys_solar_day(folder, mars_text: str) -> None:
    """After n sols (1 - loss)^n is left in the exponential model, 1 - n loss in the linear one."""
    sol_days = 24.6597897 / 24.0
    text = mars_text + "[dust]\nloss_per_sol = 0.0028\n"
    compound = read_site(folder.site(text=text)).noun.dust
    assert compound is not None
    assert (1.0 - compound.loss_per_day) ** (100.0 * sol_days) == pytest.approx(0.9972**100, rel=1e-12)
    linear = read_site(folder.site(text=text + 'model = "linear"\n')).noun.dust
    assert linear is not None
    assert linear.loss_per_day * 100.0 * sol_days == pytest.approx(0.28, rel=1e-12)


def test_events_are_read_from_every_form_of_time_and_sorted(folder) -> None:
    events = (
        '[{time = "2027-05-01T06:00:00Z", removes = 0.1}, {time = 2027-04-01T12:00:00+02:00, removes = 0.2}, '
        "{time = 2027-03-01, removes = 0.3}, {time = 2027-06-01T00:00:00, removes = 0}]"
    )
    dust = read_site(folder.site(("[{ time = 2027-03-01, removes = 0.6 }]", events))).noun.dust
    assert dust is not None
    assert [(event.time_utc, event.removes) for event in dust.events] == [
        ("2027-03-01T00:00:00", 0.3),
        ("2027-04-01T10:00:00", 0.2),
        ("2027-05-01T06:00:00", 0.1),
        ("2027-06-01T00:00:00", 0.0),
    ]


def test_atmosphere_by_number_and_by_tables(folder, mars_text: str) -> None:
    assert read_site(folder.site(text=mars_text)).noun.optical_depth == 0.5
    by_table = ("optical_depth = 0.5", 'table = "tau.csv"')
    folder.write("tau.csv", "solar_longitude_deg,optical_depth\n0,0.4\n180,0.8\n360,0.4\n")
    season = read_site(folder.site(by_table, text=mars_text)).noun.optical_depth
    assert isinstance(season, OpticalDepthTable)
    assert season.against == "solar_longitude_deg"
    np.testing.assert_array_equal(season.x, [0, 180])
    folder.write("tau.csv", "optical_depth,time_utc\n0.4,2000-01-01T12:00:00\n0.8,2000-01-02T12:00:00Z\n")
    dated = read_site(folder.site(by_table, text=mars_text)).noun.optical_depth
    assert isinstance(dated, OpticalDepthTable)
    assert dated.against == "tdb_s"
    # TDB - UTC was 32 s of leap seconds + 32.184 s, TDB - TT under 2 ms: definition of the scales
    np.testing.assert_allclose(dated.x, [64.184, 86464.184], atol=2e-3)


def test_air_left_out_where_there_is_some_is_a_warning(folder, mars_text: str) -> None:
    loaded = read_site(folder.site(("[atmosphere]\noptical_depth = 0.5\n", ""), text=mars_text))
    assert loaded.noun.optical_depth is None
    assert loaded.warnings == (
        "site.toml: Mars has an atmosphere but no [atmosphere] is given: no light is lost in it",
    )


def test_terrain_is_named_not_opened(folder) -> None:
    folder.write("maps/fine.tif", b"II*\x00")
    path = folder.site(
        ('table = "horizon.csv"', 'terrain = ["maps/fine.tif"]\nreach_km = 150\nazimuth_step_deg = 0.25')
    )
    horizon = read_site(path).noun.horizon
    assert horizon == TerrainHorizon(
        terrain=(str(folder.path.resolve() / "maps/fine.tif"),), reach_km=150.0, azimuth_step_deg=0.25
    )


def test_a_body_file_beside_the_site(folder) -> None:
    body = """
name = "Pebble"
ephemeris_target = 2000001
equatorial_radius_km = 480
polar_radius_km = 440
mean_solar_day_hours = 9.07
[rotation]
pole_right_ascension_deg = [291.4]
pole_declination_deg = [66.8]
prime_meridian_deg = [170.6, 952.1532]
"""
    folder.write("bodies/pebble.toml", body)
    named = ('body = "moon"', 'body = "bodies/pebble.toml"')
    loaded = read_site(folder.site(named))
    assert loaded.noun.body.name == "Pebble"
    assert "pebble.toml" in [source.name for source in loaded.sources]
    folder.write("bodies/pebble.toml", body.replace("66.8", "nan").replace("= 440", "= 500"))
    assert told(folder.site(named, ("-89.5", "-99.5"))) == [
        "site.toml line 3: latitude_deg is -99.5; allowed: -90 to 90",
        "bodies/pebble.toml line 5: polar_radius_km is 500; allowed: 0.3 to 1 times "
        "equatorial_radius_km (480)",
        "bodies/pebble.toml line 9: [rotation] pole_declination_deg #1 is nan; allowed: -1e+12 to 1e+12",
    ]
