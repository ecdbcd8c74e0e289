"""A year's energy against an independent brute-force sum: skyfield or SPICE step by step, plain NumPy for the rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import skyfield_data
from skyfield.api import load, load_file
from skyfield.planetarylib import PlanetaryConstants

from yieldsim.base.model import (
    AttenuationTable,
    BiaxialAcceptance,
    CleaningEvent,
    Collector,
    Dust,
    Fibre,
    HorizonMask,
    Mount,
    RoundAcceptance,
    Shield,
    Site,
)
from yieldsim.files.inputs.readers import read_body
from yieldsim.files.text.bundled import ephemeris_folder
from yieldsim.runs.estimate.output import summary_of
from yieldsim.runs.estimate.run import estimate

START, END = "2026-01-01", "2027-01-01"
RNG = np.random.default_rng(20260101)
MASK = HorizonMask(azimuth_deg=np.arange(0, 360, 5.0), elevation_deg=RNG.uniform(-2.5, 1.0, 72))

ROUND = RoundAcceptance(
    incidence_deg=[0, 2, 4, 6, 8, 10, 12],
    acceptance_fraction=[0.82, 0.8, 0.75, 0.6, 0.3, 0.05, 0.0],
    source="point",
)
BIAXIAL = BiaxialAcceptance(
    transverse_deg=[0, 3, 6, 8],
    longitudinal_deg=[0, 20, 40, 60],
    acceptance_fraction=[[0.8, 0.75, 0.6, 0.0], [0.78, 0.7, 0.55, 0.0], [0.4, 0.35, 0.2, 0.0], [0, 0, 0, 0]],
    source="point",
)


def moon_sun(latitude_deg, longitude_deg, height_m, hours):
    """Azimuth, elevation and distance by skyfield's own lunar frame and site, one step after another."""
    kernel = load_file(f"{skyfield_data.get_skyfield_data_path()}/de421.bsp")
    constants = PlanetaryConstants()
    constants.read_text((ephemeris_folder() / "moon_080317.tf").open("rb"))
    constants.read_binary((ephemeris_folder() / "moon_pa_de421_1900-2050.bpc").open("rb"))
    constants.read_text(
        __import__("io").BytesIO(
            b"KPL/PCK\n\\begindata\nBODY301_RADII = ( 1737.4 1737.4 1737.4 )\n\\begintext\n"
        )
    )
    frame = constants.build_frame_named("MOON_ME_DE421")
    here = kernel["moon"] + constants.build_latlon_degrees(frame, latitude_deg, longitude_deg, height_m)
    year, month, day = (int(part) for part in START.split("-"))
    time = load.timescale(builtin=True).utc(year, month, day, hours)
    sun, earth = (here.at(time).observe(kernel[name]).apparent() for name in ("sun", "earth"))
    elevation, azimuth, distance = sun.altaz()
    return (
        azimuth.degrees,
        elevation.degrees,
        distance.au,
        sun.separation_from(earth).degrees,
        earth.distance().km,
    )


def brute_force_kwh(site, collector, step_hours):
    """Sum over the year of beam x cosine x acceptance x losses at the middle of each step."""
    hours = np.arange(step_hours / 2, 365 * 24, step_hours)
    azimuth, elevation, distance, apart, earth_km = moon_sun(
        site.latitude_deg, site.longitude_deg, site.elevation_m + site.mast_height_m, hours
    )
    radius = np.degrees(np.arcsin(695700.0 / (149597870.7 * distance)))
    rng = np.random.default_rng(3)
    u, v = rng.uniform(-1, 1, (2, 3000))
    u, v = u[u**2 + v**2 < 1], v[u**2 + v**2 < 1]
    mu = np.sqrt(1 - u**2 - v**2)
    light = 0.31442323 + mu * (
        1.35348459 + mu * (-1.8265809 + mu * (2.35713264 + mu * (-1.68753739 + mu * 0.48907787)))
    )
    light /= light.sum()
    visible = np.ones_like(hours)
    mask_azimuth = np.append(site.horizon.azimuth_deg, 360.0)
    mask_elevation = np.append(site.horizon.elevation_deg, site.horizon.elevation_deg[0])
    for i in np.flatnonzero(np.abs(elevation) < 3.5):
        at = (azimuth[i] + u * radius[i] / np.cos(np.radians(elevation[i]))) % 360.0
        visible[i] = light[elevation[i] + v * radius[i] > np.interp(at, mask_azimuth, mask_elevation)].sum()
    visible[elevation < -3.5] = 0.0
    # an eclipse by two uniform circles is good enough for the few hours there are
    earth = np.degrees(np.arcsin(6378.137 / earth_km))
    visible *= np.clip((apart - (earth - radius)) / (2 * radius), 0, 1)
    sun = np.stack(
        [
            np.cos(np.radians(elevation)) * np.sin(np.radians(azimuth)),
            np.cos(np.radians(elevation)) * np.cos(np.radians(azimuth)),
            np.sin(np.radians(elevation)),
        ]
    )
    days = hours / 24.0
    film = collector.shield.film_transmittance
    cycle = collector.shield.cycle_hours / 24.0
    kept = 1.0 - collector.shield.removal
    total = 0.0
    for mount in collector.mounts:
        t, a, r = np.radians([mount.tilt_deg, mount.azimuth_deg, mount.roll_deg])
        normal = np.array([np.sin(t) * np.sin(a), np.sin(t) * np.cos(a), np.cos(t)])
        up = np.array([-np.cos(t) * np.sin(a), -np.cos(t) * np.cos(a), np.sin(t)])
        level = np.cross(up, normal)
        along, across = np.cos(r) * up - np.sin(r) * level, np.cos(r) * level + np.sin(r) * up
        cosine = normal @ sun
        if isinstance(collector.acceptance, RoundAcceptance):
            table = collector.acceptance
            incidence = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
            accepted = np.interp(incidence, table.incidence_deg, table.acceptance_fraction, right=0.0)
        else:
            accepted = bilinear(
                collector.acceptance,
                np.abs(np.degrees(np.arctan2(across @ sun, cosine))),
                np.abs(np.degrees(np.arctan2(along @ sun, cosine))),
            )
        rate = np.cos(t) ** site.dust.tilt_exponent if mount.tilt_deg < 90 else 0.0
        number = np.floor(days / cycle)
        load = rate * (cycle * kept * (1 - kept**number) / (1 - kept) + days - number * cycle)
        event = site.dust.events[0]
        at = (np.datetime64(event.time_utc) - np.datetime64(START)) / np.timedelta64(1, "D")
        before = rate * cycle * (1 - kept ** np.floor(at / cycle)) / (1 - kept)
        # what the event took away decays with every later cycle
        gone = event.removes * kept * before
        load = load - np.where(days > at, gone * kept ** (number - np.floor(at / cycle)), 0.0)
        clean = (1.0 - site.dust.loss_per_day) ** load
        power = 1361.0 / distance**2 * visible * np.maximum(cosine, 0) * accepted * film * clean
        total += mount.count * collector.aperture_area_m2 * power.sum() * step_hours / 1000.0
    fibre = collector.fibre
    constant = fibre.packing * (1 - fibre.end_reflection) ** 2
    return total * constant * 10 ** (-fibre.attenuation * fibre.length_m / 1e4)


def bilinear(table, transverse, longitudinal):
    """Both angles by np.interp, row by row."""
    columns = np.stack(
        [np.interp(longitudinal, table.longitudinal_deg, row, right=0.0) for row in table.acceptance_fraction]
    )
    out = np.empty_like(transverse)
    for i in range(len(out)):
        out[i] = np.interp(transverse[i], table.transverse_deg, columns[:, i], right=0.0)
    return out


def lunar_site(latitude_deg, longitude_deg):
    # the cleaning event falls just after a cycle, where the closed form above holds it
    return Site(
        name="oracle",
        body=read_body("moon").noun,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        elevation_m=1200.0,
        mast_height_m=8.0,
        horizon=MASK,
        dust=Dust(
            loss_per_day=2e-3,
            tilt_exponent=1.0,
            events=(CleaningEvent(time_utc="2026-06-30T00:00:01", removes=0.5),),
        ),
    )


def collector(acceptance, *mounts):
    return Collector(
        name="oracle",
        aperture_area_m2=0.3,
        mounts=mounts,
        acceptance=acceptance,
        shield=Shield(
            film_transmittance=0.93, removal=0.4, cycle_hours=120.0, duty_minutes=10.0, power_w=3.0
        ),
        fibre=Fibre(length_m=40.0, attenuation=9.0, packing=0.85, end_reflection=0.035),
    )


CASES = {
    "polar ridge, one mount": ((-89.45, 222.69), (ROUND, Mount(tilt_deg=88.5, azimuth_deg=200.0))),
    "polar ridge, three mounts": (
        (-88.2, -37.0),
        (
            ROUND,
            Mount(tilt_deg=89.0, azimuth_deg=10.0, count=2),
            Mount(tilt_deg=85.0, azimuth_deg=130.0),
            Mount(tilt_deg=91.0, azimuth_deg=260.0, count=3),
        ),
    ),
    "mid latitude, two angles": (
        (31.0, 12.0),
        (BIAXIAL, Mount(tilt_deg=31.0, azimuth_deg=180.0, roll_deg=35.0)),
    ),
    "equator, two angles": ((0.7, 23.5), (BIAXIAL, Mount(tilt_deg=10.0, azimuth_deg=270.0))),
}


@pytest.mark.parametrize("case", CASES)
def test_lunar_year_against_brute_force(case):
    place, design = CASES[case]
    site, units = lunar_site(*place), collector(*design)
    ds = estimate(site, units, START, END)
    expected = brute_force_kwh(site, units, 0.25)
    assert expected > 1.0
    # tolerance: 3000 random points of the disc, eclipses of a few hours by a straight ramp, the disc not smeared over the table
    assert summary_of(ds)["delivered_kwh"] == pytest.approx(expected, rel=5e-3)


def test_spectral_fibre_in_the_whole_run():
    """A table of constant attenuation over a band equals that constant times the band's share of sunlight."""
    site = lunar_site(-89.45, 222.69)
    units = collector(ROUND, Mount(tilt_deg=88.5, azimuth_deg=200.0))

    from yieldsim.base.solar_spectrum import energy_below_fraction

    table = AttenuationTable(wavelength_nm=[400.0, 1100.0], attenuation_db_per_km=[9.0, 9.0])
    banded = replace(units, fibre=replace(units.fibre, attenuation=table))
    plain, some = (
        summary_of(estimate(site, c, START, "2026-03-01"))["delivered_kwh"] for c in (units, banded)
    )
    share = float(energy_below_fraction(1100.0) - energy_below_fraction(400.0))
    assert some == pytest.approx(plain * share, rel=1e-6)


@pytest.mark.parametrize("latitude_deg", [-90.0, 0.0])
def test_the_bare_horizon_of_a_flattened_body_falls_with_its_curvature(latitude_deg):
    """A tangent from a mast of height h: over a pole it falls by atan(sqrt(h (2 c + h)) / a) whatever the azimuth, at the equator by
    acos(a / (a + h)) to east and west, and by the same formula with the axes changed to north and south."""
    body = replace(read_body("moon").noun, polar_radius_km=1400.0)
    a, c, h = body.equatorial_radius_km, body.polar_radius_km, 0.5
    site = Site(
        name="flattened", body=body, latitude_deg=latitude_deg, longitude_deg=0.0, mast_height_m=1000.0 * h
    )
    collector = Collector(
        name="c", aperture_area_m2=1.0, mounts=(Mount(tilt_deg=0.0, azimuth_deg=0.0),), acceptance=ROUND
    )
    found = summary_of(estimate(site, collector, "2027-01-01", "2027-01-02"))["chain"]["horizon_dip_deg"]
    over_pole = np.degrees(np.arctan2(np.sqrt(h * (2.0 * c + h)), a))
    around = np.degrees(np.arctan2(np.sqrt(h * (2.0 * a + h)), a))
    along = np.degrees(np.arctan2(np.sqrt(h * (2.0 * a + h)), c))
    if latitude_deg:
        assert found == pytest.approx(over_pole, rel=2e-4)  # h / R
    else:
        assert around < found < along
        assert found == pytest.approx((around + along) / 2.0, rel=0.01)  # the square of what they differ by
