"""The longest times without the Sun against a plain walk along its track, with eclipses, over the ends of a run."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
import pytest
from agreement.published import table

from yieldsim.base.clock import tdb_seconds
from yieldsim.base.model import Collector, HorizonMask, Mount, RoundAcceptance, Site
from yieldsim.files.inputs.readers import read_body
from yieldsim.planning.return_periods import return_periods_years
from yieldsim.runs.estimate.run import estimate
from yieldsim.sky.sun_track import prepare_track

# a narrow collector that faces the ground: what it takes must not matter
BLIND = Collector(
    name="faces down",
    aperture_area_m2=1.0,
    mounts=(Mount(tilt_deg=180.0, azimuth_deg=0.0),),
    acceptance=RoundAcceptance(incidence_deg=[0.0, 10.0], acceptance_fraction=[1.0, 0.0], source="disc"),
)


def moon_site(latitude_deg: float, longitude_deg: float, horizon: HorizonMask | None = None) -> Site:
    return Site(
        name="x",
        body=read_body("moon").noun,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        horizon=horizon,
    )


def nights_of(site: Site, start: str, end: str | None = None, **options) -> dict:
    ds = estimate(site, BLIND, start, end, **options)
    return json.loads(ds.attrs["summary"])["worst_nights"]


def plain_nights(world, site: Site, start: str, end: str, step_s: float) -> list[tuple[float, float]]:
    """(begin, hours) of times with the disc's upper limb below the flat horizon, eclipses left out, longest first."""
    body, ephemeris = world("moon")
    tdb_s = (
        np.arange(*(float(tdb_seconds(np.datetime64(day))) for day in (start, end)), step_s) + 0.5 * step_s
    )
    track = prepare_track(
        ephemeris, body, site.latitude_deg, site.longitude_deg, 0.0, tdb_s[0] - 60.0, tdb_s[-1] + 60.0
    )
    _, elevation, distance = track.directions(tdb_s)
    up = np.flatnonzero(elevation + np.degrees(np.arcsin(695_700.0 / 149_597_870.7 / distance)) > 0.0)
    found = [
        (float(tdb_s[last]), (nxt - last - 1) * step_s / 3600.0)
        for last, nxt in pairwise(up)
        if nxt > last + 1
    ]
    return sorted(found, key=lambda row: -row[1])


def test_six_polar_years_against_a_plain_walk(world) -> None:
    """88.5 S, far side, so no eclipses: polar nights, one a year or so. Tolerance: a step of the run at either end."""
    site = moon_site(-88.5, 180.0)
    told = nights_of(site, "2027-01-01", years=6, interval_minutes=120.0)
    expected = plain_nights(world, site, "2026-06-01", "2033-08-01", 600.0)
    step_h = told["step_s"] / 3600.0
    inside = [row for row in told["nights"] if not row["at_least"]]
    lengths = [hours for _, hours in expected]
    for row in inside[:5]:
        assert min(abs(row["hours"] - hours) for hours in lengths) <= 2.0 * step_h + 0.4
        assert not row["eclipse"]
    longest = told["nights"][0]
    assert longest.get("whole_hours", longest["hours"]) == pytest.approx(lengths[0], abs=2.0 * step_h + 0.4)
    assert len(told["years"]) == len(told["ranked"]) == 6
    ranked = [row["hours"] for row in told["ranked"]]
    assert ranked == sorted((row["longest_hours"] for row in told["years"]), reverse=True)
    assert [row["return_period_years"] for row in told["ranked"]] == return_periods_years(6).tolist()
    assert [row["return_period_years"] for row in told["levels"]] == [2.0, 5.0]


def test_an_eclipse_is_a_night_of_its_own() -> None:
    """2025-03-14 seen from the near side's middle, in the middle of its day: the Sun wholly hidden for two hours and more."""
    told = nights_of(moon_site(0.674, 23.473), "2025-03-12", "2025-03-17", interval_minutes=10.0)
    (night,) = told["nights"]
    assert night["eclipse"]
    (given,) = (
        float(row["wholly_hidden_minutes"])
        for row in table("eclipses_from_lunar_sites.csv")
        if (row["date"], row["latitude_deg"]) == ("2025-03-14", "0.674")
    )
    assert night["hours"] == pytest.approx(given / 60.0, abs=2.0 * told["step_s"] / 3600.0)
    assert night["start_utc"].startswith("2025-03-14T05:5")
    assert told["years"] is None


def test_nights_cut_by_the_ends_are_told_whole() -> None:
    """A run that begins and ends in the dark tells the nights as a longer run has them, to a step."""
    site = moon_site(20.0, 180.0)
    longer = nights_of(site, "2027-01-01", "2027-04-01")["nights"]
    middle = sorted(longer, key=lambda row: row["start_utc"])[1]
    begin = np.datetime64(middle["start_utc"].rstrip("Z")) + np.timedelta64(72, "h")
    cut = nights_of(site, str(begin)[:13], str(begin + np.timedelta64(30, "D"))[:13])
    first = min(cut["nights"], key=lambda row: row["start_utc"])
    assert first["at_least"]
    assert first["whole_known"]
    assert first["whole_hours"] == pytest.approx(middle["hours"], abs=2.0 * cut["step_s"] / 3600.0)
    assert first["hours"] == pytest.approx(middle["hours"] - 72.0, abs=1.5)


def test_a_place_that_never_sees_the_sun() -> None:
    wall = HorizonMask(azimuth_deg=[0.0], elevation_deg=[89.9])
    told = nights_of(moon_site(-88.5, 180.0, wall), "2027-01-01", years=5, interval_minutes=360.0)
    (night,) = told["nights"]
    assert night["at_least"]
    assert not night["whole_known"]
    assert {row["longest_hours"] for row in told["years"]} == {night["whole_hours"]}
