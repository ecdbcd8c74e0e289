"""Input files of every kind, and seeded ways to spoil them: for tests that hold commands to an answer or a worded refusal.

Run as a script it goes on for as long as asked, and keeps what it finds:

    python tests/properties/mutations.py --cases 3000 --seed 7 --keep FOLDER
"""

from __future__ import annotations

import argparse
import contextlib
import copy
import io
import json
import math
import os
import random
import re
import resource
import shutil
import signal
import struct
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import netCDF4
import numpy as np

import yieldsim
from yieldsim.base.errors import YieldsimError
from yieldsim.cli.main import commands
from yieldsim.files.text.bundled import bodies_folder, ephemeris_folder, sites_folder
from yieldsim.runs.estimate.output import write_estimate

SPAN = ("--start", "2027-01-01", "--end", "2027-01-03")
LONG_TEXT = 100_000
MEMORY_BYTES = 6 << 30

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
    "glass.csv": "wavelength_nm,refractive_index,absorption_per_m\n250,1.53,2\n600,1.49,0.1\n4000,1.45,30\n",
}


def write_all(folder: Path) -> None:
    """A file of every kind, all small; the estimates among them are made here."""
    for path in sites_folder().iterdir():
        if path.suffix in (".toml", ".csv"):
            shutil.copy(path, folder / path.name)
    texts = {
        "many.collector.toml": MANY, "away.toml": AWAY, "mars.toml": MARS, "traced.collector.toml": TRACED,
        "glass.optics.toml": GLASSES, "table.load.toml": LOADS, "few.uncertain.toml": DOUBTS, **TABLES,
    }  # fmt: skip
    for name, text in texts.items():
        (folder / name).write_text(text.lstrip(), encoding="utf-8")
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

    t0 = (start - 2451545.0) * 86400.0
    seconds = t0 + np.linspace(0.0, 40.0, 60) * 86400.0
    states = np.zeros((60, 6))
    states[:, 0], states[:, 4] = 4.0e8, 17.0
    for kind in (9, 13):
        handle = spiceypy.spkopn(str(folder / f"states{kind}.bsp"), "test", 0)
        write = spiceypy.spkw09 if kind == 9 else spiceypy.spkw13
        write(handle, 2000001, 10, "J2000", seconds[0], seconds[-1], "a", 5, 60, states, seconds)
        spiceypy.spkcls(handle)


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


# ---------------------------------------------------------------- spoiling

NUMBERS = (
    "nan", "inf", "-inf", "1e308", "-1e308", "1e999", "-0.0", "0", "-1", "1", "2", "1e-320", "1e-9", "0.5", "90", "360",
    "1e6", "1000000", "99999999999999999999999", "1" + "0" * 400, "0x7fffffffffffffff", "9223372036854775807", "1_000",
)  # fmt: skip
WORDS = (
    '""', '" "', '"x"', '"\\u0000"', '"\\u001b[31m"', '"\\u202e"', '"' + "n" * 300 + '"', '"é' * 1 + "😀" * 100 + '"',
    '"../../etc/passwd"', '"/etc/passwd"', '"/dev/zero"', '"."', '"/"', '"moon"', '"MARS"', '"always"', '"24-24"', '"utc"',
    "true", "false", "[]", "{}", "[[]]", "[{}]", "[1, 2]", '["a", 1]', "{ a = 1 }", "[nan, inf]", "2027-01-02",
    "2027-01-02T00:00:00Z", "2027-01-02T00:00:00+14:00", "0001-01-01", "9999-12-31T23:59:59", "12:00:00",
    '"2027-01-01T00:00:00-23:59"', '"2016-12-31T23:59:60"', "[" * 200 + "]" * 200, '"""', "'", "",
)  # fmt: skip
CELLS = (
    "nan", "inf", "", " ", "x", "-1", "0", "1e308", "-1e308", "1e-320", "-0", "360", "90", '"', "1,2", "é", "\u0000",
    "2027-01-01", "2027-01-01T00:00:00+05:00", "9999-12-31", "1" * 500, "0x10", "1_0", "٣",
)  # fmt: skip
_VALUE = re.compile(r"(?<==)\s*[^#\n]+")
_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+\.?\d*(?:e[-+]?\d+)?(?![\w.])")
_KEY = re.compile(r"^\s*([A-Za-z_0-9]+)\s*=", re.MULTILINE)

Spoil = Callable[[random.Random, str], str]


def _one_of(matches: list[re.Match[str]], rng: random.Random) -> re.Match[str] | None:
    return rng.choice(matches) if matches else None


def _put(text: str, match: re.Match[str] | None, new: str) -> str:
    return text if match is None else text[: match.start()] + new + text[match.end() :]


def number_changed(rng: random.Random, text: str) -> str:
    """Any number of the text becomes an extreme one."""
    return _put(text, _one_of(list(_NUMBER.finditer(text)), rng), rng.choice(NUMBERS))


def number_scaled(rng: random.Random, text: str) -> str:
    """Any number times a power of ten, or its negative."""
    match = _one_of(list(_NUMBER.finditer(text)), rng)
    if match is None:
        return text
    factor = rng.choice((-1.0, 1e-9, 1e-4, 0.01, 0.1, 0.9, 1.1, 2.0, 10.0, 100.0, 1e5, 1e9))
    return _put(text, match, repr(float(match.group()) * factor))


def value_changed(rng: random.Random, text: str) -> str:
    """The value of any key becomes one of any type."""
    return _put(text, _one_of(list(_VALUE.finditer(text)), rng), " " + rng.choice(WORDS + NUMBERS))


def line_gone(rng: random.Random, text: str) -> str:
    """A line is missing."""
    lines = text.split("\n")
    del lines[rng.randrange(len(lines))]
    return "\n".join(lines)


def line_twice(rng: random.Random, text: str) -> str:
    """A line stands twice, the second time anywhere."""
    lines = text.split("\n")
    lines.insert(rng.randrange(len(lines) + 1), rng.choice(lines))
    return "\n".join(lines)


def block_twice(rng: random.Random, text: str) -> str:
    """Lines from one to another stand several times."""
    lines = text.split("\n")
    a, b = sorted((rng.randrange(len(lines) + 1), rng.randrange(len(lines) + 1)))
    return "\n".join(lines[:b] + lines[a:b] * rng.choice((1, 1, 2, 30)) + lines[b:])


def key_renamed(rng: random.Random, text: str) -> str:
    """A key has another key's name, or one of its own."""
    keys = list(_KEY.finditer(text))
    match = _one_of(keys, rng)
    if match is None:
        return text
    name = rng.choice((rng.choice(keys).group(1), match.group(1)[:-1] or "q", "zebra", '"clé"', "a.b"))
    return text[: match.start(1)] + name + text[match.end(1) :]


def cell_changed(rng: random.Random, text: str) -> str:
    """A cell of a table, or what stands between two commas of a list."""
    places = [i for i, letter in enumerate(text) if letter in ",\n"]
    if not places:
        return text
    at = rng.randrange(len(places))
    end = places[at + 1] if at + 1 < len(places) else len(text)
    return text[: places[at] + 1] + rng.choice(CELLS + NUMBERS) + text[end:]


def letters_changed(rng: random.Random, text: str) -> str:
    """Letters anywhere are replaced by others."""
    at = rng.randrange(len(text) + 1)
    new = rng.choice(
        (
            "",
            "\n",
            "\t",
            "#",
            '"',
            "[",
            "]",
            "=",
            ",",
            "é",
            "\u2028",
            "\x1b[2J",
            "\x7f",
            "\ufeff",
            "0",
            "9",
            "e",
            ".",
        )
    )
    return text[:at] + new + text[at + rng.choice((0, 1, 1, 5)) :]


def cut_short(rng: random.Random, text: str) -> str:
    """The file ends early."""
    return text[: rng.randrange(len(text) + 1)]


TEXT_SPOILS: tuple[Spoil, ...] = (
    number_changed, number_changed, number_scaled, number_scaled, number_scaled, value_changed, value_changed, line_gone,
    line_twice, block_twice, key_renamed, cell_changed, letters_changed, cut_short,
)  # fmt: skip
DOUBLES = (math.nan, math.inf, -math.inf, 1e308, -1e308, -0.0, 0.0, 1.0, -1.0, 1e18, 2.0**31, 3.0, 5e-324)


def bytes_spoilt(rng: random.Random, content: bytes) -> bytes:
    """Flipped bits, stretches gone, doubled or zeroed, extreme numbers on their places."""
    data = bytearray(content)
    for _ in range(rng.choice((1, 1, 1, 2, 4, 16))):
        if not data:
            break
        # headers and directories lie at the ends: half of the faults are there
        size = len(data)
        at = rng.choice(
            (rng.randrange(size), rng.randrange(min(size, 2048)), size - 1 - rng.randrange(min(size, 2048)))
        )
        kind = rng.randrange(8)
        if kind <= 2:
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 3:
            del data[at : at + rng.choice((1, 8, 100, 5000))]
        elif kind == 4:
            data[at : at + rng.choice((4, 8, 64))] = bytes(rng.choice((4, 8, 64)))
        elif kind == 5:
            word = at // 8 * 8
            data[word : word + 8] = struct.pack(rng.choice("<>") + "d", rng.choice(DOUBLES))
        elif kind == 6:
            word = at // 4 * 4
            data[word : word + 4] = struct.pack(
                "<i", rng.choice((-1, 0, 1, 2, 2**31 - 1, -(2**31), rng.randrange(1000)))
            )
        else:
            del data[at:]
    return bytes(data)


def text_spoilt(rng: random.Random, content: bytes) -> bytes:
    """One to four faults of text; sometimes of bytes."""
    if rng.random() < 0.1:
        return bytes_spoilt(rng, content)
    text = content.decode("utf-8")
    for _ in range(rng.choice((1, 1, 1, 2, 3, 4))):
        text = rng.choice(TEXT_SPOILS)(rng, text)
    return text.encode("utf-8", "surrogatepass")[: 4 * LONG_TEXT]


JSON_VALUES = (
    None, True, "", "x", [], {}, [None], {"a": 1}, 0, -1, 1e308, -0.0, 10**400, "2027-01-01T00:00:00Z",
    "9999-99-99T99:99:99Z", "0001-01-01T00:00:00Z", math.nan, math.inf, "\x1b[31m", "n" * 400,
)  # fmt: skip


def json_spoilt(rng: random.Random, text: str) -> str:
    """One place of a JSON document replaced, missing or doubled."""
    if rng.random() < 0.2:
        return text_spoilt(rng, text.encode()).decode("utf-8", "replace")
    whole = json.loads(text)
    at = copy.deepcopy(whole)
    root = at
    while True:
        keys: list[Any] = list(at) if isinstance(at, dict) else list(range(len(at)))
        if not keys:
            return json.dumps(root)
        key = rng.choice(keys)
        if isinstance(at[key], dict | list) and rng.random() < 0.8:
            at = at[key]
            continue
        if rng.random() < 0.25:
            del at[key]
        elif isinstance(at, list) and rng.random() < 0.3:
            at.append(copy.deepcopy(at[key]))
        elif isinstance(at[key], int | float) and not isinstance(at[key], bool) and rng.random() < 0.5:
            at[key] = at[key] * rng.choice((-1.0, 0.0, 1e-12, 10.0, 1e9, 1e300))
        else:
            at[key] = rng.choice(JSON_VALUES)
        return json.dumps(root)


def estimate_spoilt(rng: random.Random, path: Path) -> None:
    """A saved estimate with values, variables, types, attributes or the length of time altered."""
    if rng.random() < 0.3:
        path.write_bytes(bytes_spoilt(rng, path.read_bytes()))
        return
    made = path.with_suffix(".made")
    kind = rng.randrange(9)
    with netCDF4.Dataset(path) as old, netCDF4.Dataset(made, "w") as new:
        old.set_auto_maskandscale(False)
        names = list(old.variables)
        chosen = rng.choice(names)
        sizes = {name: len(dim) for name, dim in old.dimensions.items()}
        if kind == 0:
            dim = rng.choice(list(sizes))
            sizes[dim] = rng.choice((0, 1, 2, max(sizes[dim] - 1, 0)))
        for name, size in sizes.items():
            new.createDimension(name, size or (0 if kind != 0 else None))
        for name, variable in old.variables.items():
            if kind == 1 and name == chosen:
                continue
            kept = tuple(slice(0, sizes[dim]) for dim in variable.dimensions)
            values, dims, dtype = np.array(variable[kept]), variable.dimensions, variable.dtype
            if name == chosen:
                if kind == 2:
                    dtype = rng.choice(("f4", "i1", "i4", "u8", "i2", "S1", str))
                elif kind == 3 and dims:
                    dims, values = (), values.ravel()[:1].reshape(()) if values.size else np.zeros(())
                elif kind in (4, 5) and values.size and values.dtype != object:
                    values = _altered(rng, values)
            with contextlib.suppress(ValueError, TypeError, OverflowError):
                out = new.createVariable(name, dtype, dims)
                out.set_auto_maskandscale(False)
                with np.errstate(all="ignore"):
                    if dtype is str:
                        values = values.astype(str).astype(object)
                    out[...] = values
                attrs = variable.__dict__
                if kind == 6 and name == chosen and attrs:
                    key = rng.choice(list(attrs))
                    attrs = {
                        **attrs,
                        key: rng.choice(("", "kW", "days since 1-1-1", 3, np.nan, "x" * 300, "noleap")),
                    }
                for key, value in attrs.items():
                    if key != "_FillValue":
                        out.setncattr(key, value)
        attrs = dict(old.__dict__)
        if kind == 7:
            attrs["summary"] = json_spoilt(rng, attrs["summary"])
        elif kind == 8:
            key = rng.choice(list(attrs))
            attrs[key] = rng.choice(
                ("", "x", 0, -1.0, np.nan, np.inf, 1e300, [1.0, 2.0], "{}", "[]", "null", 3.5, "3600")
            )
            if rng.random() < 0.3:
                del attrs[key]
        for key, value in attrs.items():
            new.setncattr(key, value)
    made.replace(path)


def _altered(rng: random.Random, values: Any) -> Any:
    values = values.copy()
    flat = values.reshape(-1)
    if values.dtype.kind == "f":
        new = rng.choice((math.nan, math.inf, -math.inf, 1e308, -1.0, 0.0, -0.0, 1e-320, 1e9, 400.0))
    else:
        new = rng.choice((0, -1, 1, np.iinfo(values.dtype).max, np.iinfo(values.dtype).min, int(flat[0])))
    if rng.random() < 0.3:
        flat[:] = new
    elif rng.random() < 0.2:
        flat[:] = flat[::-1].copy()
    else:
        flat[rng.randrange(len(flat))] = new
    return values


# ---------------------------------------------------------------- commands

SHORT = (*SPAN, "--out", "out")
SITE_RUNS = (
    ("check", "{}"),
    ("estimate", "{}", "-c", "wide.collector.toml", *SHORT, "--no-report"),
    ("estimate", "{}", "-c", "many.collector.toml", *SHORT),
    ("orient", "{}", "-c", "wide.collector.toml", *SHORT, "--step-deg", "10", "--no-figures"),
    ("rank", "{}", "lantern-ridge.toml", "-c", "wide.collector.toml", *SHORT, "--no-figures"),
    (
        "budget",
        "wide",
        "-l",
        "habitat.load.toml",
        "--site",
        "{}",
        "-c",
        "wide.collector.toml",
        "--no-report",
        "--out",
        "out",
    ),
    ("tune", "glass.optics.toml", "--site", "{}", "-v", "fibre.packing=0.5:0.9", "--points", "3", *SHORT),
)
COLLECTOR_RUNS = (
    ("check", "{}"),
    ("estimate", "lantern-ridge.toml", "-c", "{}", *SHORT, "--no-report"),
    ("estimate", "mars.toml", "-c", "{}", *SHORT),
    ("orient", "lantern-ridge.toml", "-c", "{}", *SHORT, "--step-deg", "10", "--units", "2", "--no-figures"),
    ("rank", "lantern-ridge.toml", "ember-rim.toml", "-c", "{}", *SHORT, "--no-figures"),
    (
        "budget",
        "wide",
        "-l",
        "table.load.toml",
        "--site",
        "lantern-ridge.toml",
        "-c",
        "{}",
        "--no-report",
        "--out",
        "out",
    ),
)
LOAD_RUNS = (
    ("check", "{}"),
    ("budget", "wide", "-l", "{}", "--no-report", "--out", "out"),
    (
        "budget",
        "many",
        "-l",
        "{}",
        "--site",
        "lantern-ridge.toml",
        "-c",
        "many.collector.toml",
        "--out",
        "out",
    ),
    (
        "orient",
        "lantern-ridge.toml",
        "-c",
        "wide.collector.toml",
        "-l",
        "{}",
        *SHORT,
        "--step-deg",
        "10",
        "--no-figures",
    ),
)
OPTICS_RUNS = (
    ("check", "{}"),
    ("trace", "{}", "--tolerance", "0.2", "--no-figures"),
    ("trace", "{}", "--tolerance", "0.2", "--source", "disc", "--out", "out/acceptance.csv"),
    ("estimate", "lantern-ridge.toml", "-c", "traced.collector.toml", *SHORT, "--no-report"),
)
TUNE_RUNS = (
    ("tune", "{}", "--site", "lantern-ridge.toml", "-v", "fibre.packing=0.5:0.9", "--points", "3", *SHORT),
    (
        "tune",
        "{}",
        "--site",
        "mars.toml",
        "-v",
        "funnel.length_m=0.02:0.04",
        "-c",
        "many.collector.toml",
        "--points",
        "3",
        *SHORT,
    ),
)
DOUBT_RUNS = (
    ("check", "{}"),
    ("budget", "wide", "-l", "habitat.load.toml", "--site", "lantern-ridge.toml", "-c", "wide.collector.toml", "--uncertain", "{}",
     "--no-report", "--out", "out"),
)  # fmt: skip
ESTIMATE_RUNS = (
    ("report", "{}", "--out", "out"),
    ("budget", "{}", "-l", "habitat.load.toml", "--no-report", "--out", "out"),
    ("budget", "{}", "-l", "table.load.toml", "--out", "out"),
    (
        "budget",
        "{}",
        "-l",
        "table.load.toml",
        "--site",
        "lantern-ridge.toml",
        "-c",
        "wide.collector.toml",
        "--no-report",
        "--out",
        "out",
    ),
)
KERNEL_RUNS = (
    ("check", "{}"),
    ("estimate", "lantern-ridge.toml", "-c", "wide.collector.toml", "--kernel", "{}", *SHORT, "--no-report"),
)
BODY_RUNS = (
    ("check", "{}"),
    ("check", "away.toml"),
    ("estimate", "away.toml", "-c", "wide.collector.toml", *SHORT, "--no-report"),
)


@dataclass(frozen=True)
class Kind:
    """Files of a kind, how they are spoilt and which commands read them."""

    files: tuple[str, ...]
    runs: tuple[tuple[str, ...], ...]
    how: str = "text"


def _through(*names: str) -> tuple[tuple[str, ...], ...]:
    """Commands that read a table through the file that names it."""
    return tuple(names)


KINDS: dict[str, Kind] = {
    "site": Kind(("lantern-ridge.toml", "ember-rim.toml", "rust-plain.toml", "mars.toml", "away.toml"), SITE_RUNS),
    "collector": Kind(("wide.collector.toml", "many.collector.toml", "narrow.collector.toml", "traced.collector.toml"), COLLECTOR_RUNS),
    "load": Kind(("habitat.load.toml", "table.load.toml"), LOAD_RUNS),
    "optics": Kind(("half-metre-lens.optics.toml", "wide-trough.optics.toml", "polar-dome.optics.toml", "glass.optics.toml"), OPTICS_RUNS),
    "tune": Kind(("glass.optics.toml",), TUNE_RUNS),
    "doubts": Kind(("few.uncertain.toml", "lantern-ridge.uncertain.toml"), DOUBT_RUNS),
    "body": Kind(("own.body.toml",), BODY_RUNS),
    "skyline": Kind(("lantern-ridge.horizon.csv",), (("check", "{}"), SITE_RUNS[1][:1] + ("lantern-ridge.toml",) + SITE_RUNS[1][2:])),
    "air": Kind(("tau.csv",), (("check", "{}"), ("estimate", "mars.toml", "-c", "wide.collector.toml", *SHORT, "--no-report"))),
    "grid": Kind(("grid.csv",), (("check", "{}"), ("estimate", "mars.toml", "-c", "many.collector.toml", *SHORT, "--no-report"),
                 ("orient", "lantern-ridge.toml", "-c", "many.collector.toml", *SHORT, "--step-deg", "10", "--no-figures"))),
    "round": Kind(("wide.acceptance.csv",), (("check", "{}"), ("orient", "mars.toml", "-c", "wide.collector.toml", *SHORT, "--step-deg", "10"),
                  ("estimate", "lantern-ridge.toml", "-c", "wide.collector.toml", *SHORT, "--no-report"))),
    "attenuation": Kind(("wide.attenuation.csv",), (("check", "{}"), ("estimate", "mars.toml", "-c", "many.collector.toml", *SHORT, "--no-report"))),
    "profile": Kind(("profile.csv", "hours.csv"), (("check", "{}"), ("budget", "wide", "-l", "table.load.toml", "--no-report", "--out", "out"))),
    "glass": Kind(("glass.csv",), (("check", "glass.optics.toml"), ("trace", "glass.optics.toml", "--tolerance", "0.2"))),
    "estimate": Kind(("wide/estimate.nc", "many/estimate.nc"), ESTIMATE_RUNS, "estimate"),
    "kernel": Kind(("short.bsp", "states9.bsp", "states13.bsp", "turn.bpc"), KERNEL_RUNS, "bytes"),
    "frames": Kind(("frames.tf",), KERNEL_RUNS),
    "raster": Kind(("hill.tif",), (("horizon", "away.toml", "--out", "out.csv", "--no-figure"), ("check", "away.toml")), "bytes"),
}  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One spoilt file and a command that reads it."""

    number: int
    kind: str
    file: str
    words: tuple[str, ...]


def spoilt_case(seed: int, number: int, folder: Path, kinds: tuple[str, ...]) -> Case:
    """Spoil a file of the folder in place: the same for the same seed and number."""
    rng = random.Random(f"{seed}/{number}")
    name = rng.choice(kinds)
    kind = KINDS[name]
    file = rng.choice(kind.files)
    path = folder / file
    if kind.how == "estimate":
        estimate_spoilt(rng, path)
    else:
        spoil = text_spoilt if kind.how == "text" else bytes_spoilt
        path.write_bytes(spoil(rng, path.read_bytes()))
    words = tuple(word.replace("{}", file) for word in rng.choice(kind.runs))
    return Case(number, name, file, words)


@contextlib.contextmanager
def restored(folder: Path, whole: Path) -> Iterator[None]:
    """Put back every file that a case spoilt, and take away what it made."""
    try:
        yield
    finally:
        shutil.rmtree(folder)
        shutil.copytree(whole, folder)


def outcome(words: tuple[str, ...]) -> str:
    """Run a command: "done", or the kind of refusal. Any other exception comes out, and so does a refusal that isn't worded."""
    out, err = io.StringIO(), io.StringIO()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            commands.main(list(words), prog_name="yieldsim", standalone_mode=False)
    except click.ClickException as error:
        return type(error).__name__
    except YieldsimError as error:
        if not str(error).strip():
            raise AssertionError(f"{type(error).__name__} without words") from error
        return type(error).__name__
    return "done"


class Slow(BaseException):
    """A command that goes on for too long."""


def _slow(*_: object) -> None:
    raise Slow


def explore(seed: int, cases: int, keep: Path, seconds: int, kinds: tuple[str, ...], first: int) -> None:
    """Run many cases; each fault's file, command and traceback is kept."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    signal.signal(signal.SIGALRM, _slow)
    os.environ["XDG_CACHE_HOME"] = str(keep / "cache")
    outcomes: Counter[str] = Counter()
    faults: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as room:
        whole, folder = Path(room) / "whole", Path(room) / "case"
        whole.mkdir()
        write_all(whole)
        shutil.copytree(whole, folder)
        for number in range(first, first + cases):
            with restored(folder, whole), contextlib.chdir(folder):
                case = spoilt_case(seed, number, folder, kinds)
                began, fault = time.process_time(), ""
                signal.alarm(seconds)
                try:
                    outcomes[f"{case.kind} {outcome(case.words)}"] += 1
                except (Exception, Slow) as error:
                    frames = [
                        f for f in traceback.extract_tb(error.__traceback__) if "yieldsim/" in f.filename
                    ]
                    at = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
                    fault = f"{type(error).__name__} {at} {str(error)[:160]!r}"
                    text = "".join(traceback.format_exception(error))
                finally:
                    signal.alarm(0)
                spent = time.process_time() - began
                if fault or spent > seconds / 2:
                    label = fault or f"slow {spent:.0f} s"
                    faults[label] += 1
                    print(number, case.kind, case.file, " ".join(case.words), "->", label, flush=True)
                    if fault and faults[label] == 1:
                        place = keep / f"{seed}-{number}"
                        place.mkdir(parents=True, exist_ok=True)
                        shutil.copy(folder / case.file, place / Path(case.file).name)
                        (place / "what.txt").write_text(f"{case}\n{text}")
    print(json.dumps({**dict(sorted(outcomes.items())), "faults": sum(faults.values())}, indent=1))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=int, default=40)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--keep", type=Path, default=Path("found"))
    given = parser.parse_args()
    given.keep.mkdir(parents=True, exist_ok=True)
    explore(
        given.seed,
        given.cases,
        given.keep.resolve(),
        given.seconds,
        tuple(given.kinds.split(",")),
        given.first,
    )
