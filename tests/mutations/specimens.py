"""An input file of every kind, all small and good: what the tests of spoilt files begin with."""

from __future__ import annotations

import importlib.util
import math
import shutil
from pathlib import Path
from typing import Any

import numpy as np

import yieldsim
from yieldsim.files.text.bundled import bodies_folder, ephemeris_folder, sites_folder
from yieldsim.runs.estimate.output import write_estimate

MANY = """
name = "Many"
aperture_area_m2 = 0.2
[[mounts]]
tilt_deg = 88.0
azimuth_deg = 180.0
[[mounts]]
tilt_deg = 30.0
azimuth_deg = 90.0
count = 3
[acceptance]
table = "grid.csv"
source = "point"
[shield]
film_transmittance = 0.93
removal = 0.9
cycle_hours = 20.0
duty_minutes = 5.0
power_w = 2.0
[fibre]
length_m = 10.0
table = "wide.attenuation.csv"
numerical_aperture = 0.5
face_diameter_mm = 24.0
"""
AWAY = """
name = "Away"
body = "own.body.toml"
latitude_planetographic_deg = -80.0
longitude_deg = 20.0
elevation_m = 100.0
mast_height_m = 4.0
[horizon]
terrain = ["hill.tif"]
reach_km = 20.0
azimuth_step_deg = 5.0
[dust]
loss_per_sol = 0.002
model = "linear"
tilt_exponent = 1.0
floor = 0.4
events = [{ time = 2027-01-01T12:00:00, removes = 0.6 }, { time = "2027-01-02", removes = 0.2 }]
"""
MARS = """
name = "Plain"
body = "mars"
latitude_deg = 10.0
longitude_deg = 20.0
[horizon]
flat = true
[atmosphere]
table = "tau.csv"
[dust]
loss_per_sol = 0.002
"""
CERES = """
name = "Crater"
body = "ceres.body.toml"
latitude_deg = 5.0
longitude_deg = 20.0
[horizon]
flat = true
"""
JOINED = """
name = "Joined"
sites = ["lantern-ridge.toml"]
mast_heights_m = [6.0]
collectors = ["wide.collector.toml"]
load = "lantern-watch.load.toml"
uncertain = "few.uncertain.toml"
confidence = "P90"
most_units = 80
facings = [[88.0, 0.0], [88.0, 120.0, 10.0], [88.0, 240.0]]
[masses]
unit_kg = 0.25
store_kg_per_kwh = 7.0
[fibre_run]
length_m = 5.0
[store]
choices_kwh = [0.25, 1.0, 2.0]
[tracker]
extra_kg = 0.6
[hand_turns]
most_turns = 2
extra_kg = 0.05
[link]
site = "near.toml"
kind = "fibre"
length_km = 2.0
loss_db_per_km = 0.5
ends_efficiency = 0.9
kg_per_km = 2.0
"""
WORN = """
name = "Worn"
aperture_area_m2 = 0.2
[[mounts]]
tilt_deg = 40.0
azimuth_deg = 0.0
[acceptance]
table = "wide.acceptance.csv"
source = "point"
[shield]
film_transmittance = 0.93
cycle_hours = 20.0
[shield.grains]
table = "grains.csv"
median_um = 5.8
geometric_sd = 1.6
[radiation]
dose_gy_per_year = 5.0
fibre_db_per_km = 1.2
fibre_exponent = 0.607
fibre_saturation_db_per_km = 200.0
lens_dose_gy_per_year = 1000.0
lens_loss_per_kgy = 0.01
[fibre]
length_m = 30.0
attenuation_db_per_km = 8.0
"""
TRACED = """
name = "Traced"
aperture_area_m2 = 0.19
[[mounts]]
tilt_deg = 80.0
azimuth_deg = 180.0
[acceptance]
prescription = "half-metre-lens.optics.toml"
"""
GLASSES = """
name = "Own glass"
[lens]
kind = "plano_convex"
width_m = 0.05
material = "mine"
thickness_m = 0.01
focal_length_m = 0.12
front_coating = { reflectance = 0.01 }
[funnel]
kind = "solid"
shape = "straight"
mouth_width_m = 0.02
outlet_width_m = 0.008
length_m = 0.03
material = "formula"
[fibre]
face_diameter_mm = 8.0
numerical_aperture = 0.5
[tolerances]
lens_slope_mrad = 1.0
[[materials]]
name = "mine"
table = "glass.csv"
[[materials]]
name = "formula"
sellmeier = [[0.6961663, 0.00467914826], [0.4079426, 0.0135120631], [0.8974794, 97.9340025]]
sellmeier_nm = [210, 6700]
absorption_per_m = 0.1
"""
LOADS = """
[[loads]]
name = "by table"
kind = "light"
table = "profile.csv"
[[loads]]
name = "by hour"
kind = "heat"
table = "hours.csv"
weekdays = ["mon", "sun"]
seasonal_factors = [[0.0, 1.0], [180.0, 0.5]]
[[loads]]
name = "pump"
kind = "electric"
power_w = 1.0
converter_efficiency = 0.3
mission_days = "1-3, 5"
monthly_factors = [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0]
[storage]
kind = "heat"
capacity_kwh = 0.2
[sizing]
reliability = 0.9
of = "time"
[life]
years = 2
lens_darkening_per_year = 0.01
visit_every_days = 200.0
visit_removes = 0.5
shield_outages = [{ fails = 2027-01-02T00:00:00, repaired = 2027-01-03 }]
[exchange]
light_per_electric = 3.0
"""
DOUBTS = """
draws = 64
seed = 3
[[uncertain]]
what = "acceptance_scale"
distribution = "normal"
mean = 1.0
sd = 0.03
[[uncertain]]
what = "horizon_height_deg"
distribution = "uniform"
low = -0.1
high = 0.2
[[uncertain]]
what = "mount_tilt_deg"
distribution = "triangular"
low = -1.0
likely = 0.0
high = 1.0
"""
TABLES = {
    "grid.csv": "transverse_deg,longitudinal_deg,acceptance_fraction\n"
    + "".join(
        f"{t},{el},{max(0.0, 0.9 - 0.02 * (t + el)):.3f}\n"
        for t in range(0, 41, 5)
        for el in range(0, 41, 10)
    ),
    "tau.csv": "time_utc,optical_depth\n2027-01-01,0.4\n2027-01-02T06:00:00,0.7\n2027-02-01,0.3\n",
    "season.csv": "solar_longitude_deg,optical_depth\n0,0.4\n120,0.7\n300,0.3\n",
    "profile.csv": "time_utc,power_w\n2027-01-01,4\n2027-01-01T12:00:00,7\n2027-01-05,0\n",
    "hours.csv": "hour,power_w\n0,4\n6.5,7\n20,0\n",
    "grains.csv": "grain_diameter_um,removal_fraction\n1,0.1\n5,0.45\n20,0.9\n",
    "ground.csv": "local_true_solar_time_hours,temperature_k\n0,95\n8,240\n13,330\n18.5,150\n",
    "glass.csv": "wavelength_nm,refractive_index,absorption_per_m\n250,1.53,2\n600,1.49,0.1\n4000,1.45,30\n",
}


def write_all(folder: Path) -> None:
    """A file of every kind, all small; the estimates among them are made here."""
    for path in sites_folder().iterdir():
        if path.suffix in (".toml", ".csv"):
            shutil.copy(path, folder / path.name)
    texts = {
        "many.collector.toml": MANY, "away.toml": AWAY, "mars.toml": MARS, "ceres.toml": CERES, "traced.collector.toml": TRACED,
        "glass.optics.toml": GLASSES, "table.load.toml": LOADS, "few.uncertain.toml": DOUBTS,
        "joined.design.toml": JOINED, "worn.collector.toml": WORN, **TABLES,
    }  # fmt: skip
    for name, text in texts.items():
        (folder / name).write_text(text.lstrip(), encoding="utf-8")
    ridge = (folder / "lantern-ridge.toml").read_text(encoding="utf-8")
    (folder / "near.toml").write_text(ridge.replace("222.69", "42.0"), encoding="utf-8")
    (folder / "warm.toml").write_text(
        f'{ridge}\n[ground]\ntable = "ground.csv"\nreflectance = 0.1\n', encoding="utf-8"
    )
    shutil.copy(bodies_folder() / "moon.toml", folder / "own.body.toml")
    shutil.copy(ephemeris_folder() / "moon_080317.tf", folder / "frames.tf")
    write_kernels(folder)
    write_terrain(folder / "hill.tif")
    for name, collector in (("wide", "wide.collector.toml"), ("many", "many.collector.toml")):
        ds = yieldsim.estimate(folder / "lantern-ridge.toml", folder / collector, "2027-01-01", "2027-01-09")
        write_estimate(ds, folder / name, report=False)


def write_kernels(folder: Path) -> None:
    """Positions as Chebyshev series (cut out of the default ones), as states and difference lines; an orientation."""
    import skyfield_data
    from jplephem.excerpter import write_excerpt
    from jplephem.spk import SPK

    start, end = 2461400.5, 2461440.5  # 2026-12-20 and forty days on
    source = SPK.open(str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp"))
    with (folder / "short.bsp").open("w+b") as file:
        summaries = [s for s in source.daf.summaries() if s[1][2] in (10, 3, 301, 399)]
        write_excerpt(source, file, start, end, summaries)
    source.close()
    shutil.copy(ephemeris_folder() / "moon_pa_de421_1900-2050.bpc", folder / "turn.bpc")
    import spiceypy

    segments = _module(Path(__file__).parents[1] / "physics" / "test_state_segments.py")
    for kind in (1, 21):
        segments.write_differences(folder / f"lines{kind}.bsp", kind)
    t0 = (start - 2451545.0) * 86400.0
    seconds = t0 + np.linspace(0.0, 40.0, 60) * 86400.0
    states = np.array([segments.asteroid(second) for second in seconds])
    for kind in (9, 13):
        handle = spiceypy.spkopn(str(folder / f"states{kind}.bsp"), "test", 0)
        write = spiceypy.spkw09 if kind == 9 else spiceypy.spkw13
        write(handle, 2000001, 10, "J2000", seconds[0], seconds[-1], "a", 5, 60, states, seconds)
        spiceypy.spkcls(handle)


def _module(path: Path) -> Any:
    """A module of the tests by its file."""
    specification = importlib.util.spec_from_file_location(path.stem, path)
    assert specification is not None
    assert specification.loader is not None
    module = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(module)
    return module


def write_terrain(path: Path) -> None:
    """A small hill at the site of AWAY on a map of the Moon."""
    import rasterio
    from rasterio.transform import from_origin

    size, step = 48, 500.0
    x = (np.arange(size) - size / 2) * step
    height = 100.0 + 300.0 * np.exp(-((x[:, None] - 4000.0) ** 2 + x[None, :] ** 2) / 2.0e6)
    crs = "+proj=stere +lat_0=-90 +lon_0=0 +k=1 +x_0=0 +y_0=0 +a=1737400 +b=1737400 +units=m"
    rho = 2.0 * 1737400.0 * math.tan(math.radians(5.0))
    east, north = rho * math.sin(math.radians(20.0)), rho * math.cos(math.radians(20.0))
    transform = from_origin(east + x[0], north - x[0], step, step)
    shape = {"height": size, "width": size, "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", driver="GTiff", crs=crs, transform=transform, **shape) as file:
        file.write(height.astype("float32"), 1)
