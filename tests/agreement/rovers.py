"""Our sols where landers and rovers lived: the beam on their arrays, dust."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from agreement.compare import ours
from agreement.published import table, value
from agreement.worlds import seconds, world
from yieldsim.base.constants import SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.model import Collector, Dust, Mount, RoundAcceptance, Site
from yieldsim.energy.soiling import clean_fraction
from yieldsim.files.inputs.readers import read_site
from yieldsim.runs.estimate.run import estimate
from yieldsim.sky.atmosphere import air_mass, beam_transmittance
from yieldsim.sky.sun_track import prepare_track

SITES = Path(__file__).resolve().parents[2] / "sites"
ARRAY_M2 = 1.33
"""Of either rover (NTRS 20230007029, abstract)."""


# ---------------------------------------------------------------- arrays


class Sol(NamedTuple):
    """What a status report tells of a sol."""

    place: tuple[float, float]
    date: str
    optical_depth: float
    dust_factor: float
    north_tilt_deg: float


SOLS = {
    row["key"]: Sol(
        place=(float(row["latitude_deg"]), float(row["longitude_deg"])),
        date=row["date"],
        optical_depth=float(row["optical_depth"]),
        dust_factor=float(row["dust_factor"]),
        north_tilt_deg=float(row["north_tilt_deg"]),
    )
    for row in table("published/rover_sols.csv")
}


@cache
def beam_wh(sol: Sol, optical_depth: float | None = None) -> float:
    """Energy of the beam on the array in that sol, dust on it counted, by a whole estimate; optical_depth in place of the sol's."""
    body, _ = world("mars")
    latitude, longitude = sol.place
    site = Site(
        name="rover",
        body=body,
        latitude_deg=latitude,
        longitude_deg=longitude,
        optical_depth=sol.optical_depth if optical_depth is None else optical_depth,
    )
    plane = Collector(
        name="array",
        aperture_area_m2=ARRAY_M2,
        mounts=(Mount(tilt_deg=sol.north_tilt_deg, azimuth_deg=0.0),),
        acceptance=RoundAcceptance(incidence_deg=[0.0, 90.0], acceptance_fraction=[1.0, 1.0], source="disc"),
    )
    start = np.datetime64(sol.date)
    ds = estimate(site, plane, start, start + np.timedelta64(3, "D"), interval_minutes=10.0)
    # a sol is 147.96 rows: from one midnight to the next
    day_h, hours = body.mean_solar_day_hours, ds["local_true_solar_time_hours"].values
    first = int(np.flatnonzero(np.diff(hours) < 0.0)[0]) + 1
    rows = day_h * 6.0
    power = ds["delivered_power_w"].values[first:]
    whole = power[: int(rows)].sum() + (rows - int(rows)) * power[int(rows)]
    return float(whole / 6.0 * sol.dust_factor)


def _beam_of(key: str) -> tuple[float, str]:
    found = beam_wh(SOLS[key])
    sol = SOLS[key]
    told = f"optical depth {sol.optical_depth:g}, dust factor {sol.dust_factor:g}"
    return found, f"{told}; the array made {100.0 * value(key) / found:.0f} % of that"


for _key in SOLS:
    ours(_key)(lambda key=_key: _beam_of(key))


@ours("opportunity-tau")
def opportunity_tau() -> float:
    """Beam on the plane over what it would be without air, sol 2859 over sol 2879."""
    shares = [
        beam_wh(sol) / beam_wh(sol, 0.0) for sol in (SOLS["opportunity-2859"], SOLS["opportunity-2879"])
    ]
    return shares[0] / shares[1]


# ---------------------------------------------------------------- beam


@ours("mars-direct-tau-5")
def direct_at_tau_5() -> float:
    return 100.0 * float(beam_transmittance(5.0, 1.0))


@ours("mars-poles-tau")
def poles_by_tau() -> float:
    """Of a Martian year on level ground; the lesser of both poles."""
    body, ephemeris = world("mars")
    tdb_s = seconds("2005-01-01") + np.arange(0.0, 686.98, 0.05) * 86_400.0
    ratios = []
    for latitude in (-90.0, 90.0):
        track = prepare_track(ephemeris, body, latitude, 0.0, 0.0, tdb_s[0], tdb_s[-1])
        _, elevation, distance = track.directions(tdb_s)
        up = elevation > 0.0
        level = SOLAR_IRRADIANCE_1AU_W_M2 / distance[up] ** 2 * np.sin(np.radians(elevation[up]))
        mass = air_mass(elevation[up], body.atmosphere_scale_height_km or 0.0, 3389.5)
        light = [float((level * beam_transmittance(depth, mass)).sum()) for depth in (0.1, 2.0)]
        ratios.append(light[0] / light[1])
    return min(ratios)


# ---------------------------------------------------------------- dust


def kept_percent(loss_per_sol: float, sols: float) -> float:
    """Light that passes after so many sols without removal, compounded, %."""
    body, _ = world("mars")
    per_day = 1.0 - (1.0 - loss_per_sol) ** (24.0 / body.mean_solar_day_hours)
    days = np.array([sols * body.mean_solar_day_hours / 24.0])
    return 100.0 * float(clean_fraction(Dust(loss_per_day=per_day), days)[0])


@ours("insight-dust-800")
def insight_dust_800() -> float:
    return kept_percent(0.002, 800.0)


@ours("insight-dust-2021")
def insight_dust_2021() -> float:
    """From landing to the middle of June 2021."""
    days = (np.datetime64("2021-06-15") - np.datetime64("2018-11-26")) / np.timedelta64(1, "D")
    return 100.0 - kept_percent(0.002, float(days) / 1.0274912517)


@ours("hollick-low")
def hollick() -> float:
    dust = read_site(SITES / "lantern-ridge.toml").noun.dust
    return 100.0 * (1.0 - float(clean_fraction(dust, np.array([2000.0]))[0]))


@ours("lorenz-range")
def lorenz() -> float:
    dust = read_site(SITES / "rust-plain.toml").noun.dust
    return 100.0 * (1.0 - (1.0 - dust.loss_per_day) ** (24.6597897 / 24.0))
