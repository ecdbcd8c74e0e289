"""Kernels of small bodies - states and difference lines - held to CSPICE, which also writes them here where it can."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import spiceypy
from jplephem.daf import DAF

import yieldsim
from yieldsim.base.clock import library_time, tdb_seconds
from yieldsim.base.constants import AU_KM, SECONDS_PER_DAY
from yieldsim.base.errors import InputError
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.ephemeris.kernel_file import open_kernel
from yieldsim.files.text.bundled import sites_folder

SUN_GM = 132_712_440_041.9
TARGET, SUN = 2_000_001, 10
START, END = (float(s) for s in tdb_seconds(np.array(["2026-12-25", "2027-07-01"], dtype="datetime64[ns]")))
LONGEST = {1: 15, 21: 25}


def asteroid(second: float) -> FloatArray:
    """An ellipse like that of Ceres, km and km/s."""
    elements = [2.5478 * AU_KM, 0.0776, *np.radians([10.586, 80.27, 73.6, 77.4]), 0.0, SUN_GM]
    return np.asarray(spiceypy.conics(elements, second))


def write_states(path: Path, kind: int) -> None:
    """A segment of states at even (8, 12) or uneven times, by CSPICE; windows of even and odd length."""
    count = 1500
    even = np.linspace(START, END, count)
    step_s = even[1] - even[0]
    uneven = even + 0.3 * step_s * np.sin(np.arange(count)) * (np.abs(np.arange(count) - 749.5) < 749)
    seconds = uneven if kind in (9, 13) else even
    states = np.array([asteroid(second) for second in seconds])
    head = ("J2000", START, END, "asteroid")
    handle = spiceypy.spkopn(str(path), "test", 0)
    if kind == 8:
        spiceypy.spkw08(handle, TARGET, SUN, *head, 8, count, states, START, step_s * (1 + 1e-12))
    elif kind == 9:
        spiceypy.spkw09(handle, TARGET, SUN, *head, 7, count, states, seconds)
    elif kind == 12:
        spiceypy.spkw12(handle, TARGET, SUN, *head, 7, count, states, START, step_s * (1 + 1e-12))
    else:
        spiceypy.spkw13(handle, TARGET, SUN, *head, 5, count, states, seconds)
    spiceypy.spkcls(handle)


def write_differences(path: Path, kind: int) -> None:
    """A segment of difference lines of any orders: CSPICE reads but does not write them."""
    rng = np.random.default_rng(kind)
    longest, count = LONGEST[kind], 250
    handle = spiceypy.spkopn(str(path), "test", 0)
    spiceypy.spkw09(
        handle, 2_000_009, SUN, "J2000", 0.0, 1e6, "other", 3, 20, np.ones((20, 6)), np.linspace(0, 1e6, 20)
    )
    spiceypy.spkcls(handle)
    last = START + np.cumsum(rng.uniform(0.5, 1.0, count)) * SECONDS_PER_DAY
    last[-1] = END
    records = []
    for number in range(count):
        most = int(rng.integers(2, longest)) if number else 2
        records.append(
            np.concatenate(
                [
                    [last[number] - rng.uniform(0.1, 0.9) * SECONDS_PER_DAY],
                    np.cumsum(rng.uniform(0.5, 1.5, longest)) * SECONDS_PER_DAY,
                    np.column_stack([rng.uniform(-4e8, 4e8, 3), rng.uniform(-20, 20, 3)]).ravel(),
                    rng.normal(size=3 * longest) * 1e-7,
                    [most],
                    rng.integers(1, most, 3) if most > 1 else np.ones(3),
                ]
            )
        )
    tail = [float(longest)] if kind == 21 else []
    words = np.concatenate([np.concatenate(records), last, last[99::100], tail, [count]])
    with path.open("r+b") as file:
        DAF(file).add_array(b"differences", (START, END, TARGET, SUN, 1, kind), words)
        file.seek(0, 2)
        file.write(b"\0" * (-file.tell() % 1024))


def write(folder: Path, kind: int) -> Path:
    path = folder / f"type{kind}.bsp"
    (write_differences if kind in LONGEST else write_states)(path, kind)
    return path


@pytest.fixture(autouse=True)
def _spice() -> None:
    spiceypy.kclear()


@pytest.mark.parametrize("kind", [1, 8, 9, 12, 13, 21])
def test_segments_against_cspice(tmp_path: Path, kind: int) -> None:
    """To rounding: a millimetre at 4e8 km is 3e-15 of it."""
    path = write(tmp_path, kind)
    seconds = np.sort(np.random.default_rng(5).uniform(START, END, 1000))
    seconds[0], seconds[-1] = START, END
    spiceypy.furnsh(str(path))
    theirs = np.array([spiceypy.spkgeo(TARGET, second, "J2000", SUN)[0] for second in seconds]).T
    spiceypy.kclear()
    (segment,) = (one for one in open_kernel(path).content.segments if one.target == TARGET)
    place, speed, _, _ = segment._at(library_time(seconds))
    np.testing.assert_allclose(place * AU_KM, theirs[:3], rtol=0.0, atol=2e-5)
    np.testing.assert_allclose(speed * (AU_KM / SECONDS_PER_DAY), theirs[3:], rtol=0.0, atol=2e-9)


@pytest.mark.parametrize("kind", [9, 21])
def test_a_segment_that_contradicts_itself_is_refused(tmp_path: Path, kind: int) -> None:
    path = write(tmp_path, kind)
    content = bytearray(path.read_bytes())
    with path.open("rb") as file:
        *_, (_, values) = DAF(file).summaries()
    end = 8 * values[-1]
    content[end - 8 : end] = np.array([1e7]).tobytes()
    path.write_bytes(bytes(content))
    with pytest.raises(InputError, match=r"is damaged: its counts do not fit its length"):
        open_kernel(path)


def test_standing_on_an_asteroid(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The Sun as far as the ellipse says, at its highest where the body file's rotation puts it: to the steps of a minute."""
    monkeypatch.chdir(tmp_path)
    path = write(tmp_path, 13)
    Path("rock.toml").write_text(
        'name = "Rock"\nephemeris_target = 2000001\nequatorial_radius_km = 487.3\npolar_radius_km = 446.0\n'
        "mean_solar_day_hours = 9.0761\n[rotation]\npole_right_ascension_deg = [291.418]\n"
        "pole_declination_deg = [66.764]\nprime_meridian_deg = [170.65, 952.1532]\n"
    )
    Path("site.toml").write_text(
        'name = "Slab"\nbody = "rock.toml"\nlatitude_deg = -10.5\nlongitude_deg = 316.2\n[horizon]\nflat = true\n'
    )
    collector = sites_folder() / "skyward.collector.toml"
    ds = yieldsim.estimate(
        "site.toml", collector, "2027-01-01", "2027-01-03", interval_minutes=1, kernels=path
    )
    seconds = tdb_seconds(ds.time.values + np.timedelta64(30, "s"))
    places = np.array([asteroid(float(second))[:3] for second in seconds])
    distance = np.linalg.norm(places, axis=1)
    np.testing.assert_allclose(ds.sun_distance_au.values, distance / AU_KM, rtol=3e-6)
    # planetocentric latitude of the Sun from the pole; -10.5 deg centric stands upright at -12.47 graphic
    right, up = np.radians([291.418, 66.764])
    pole = np.array([np.cos(up) * np.cos(right), np.cos(up) * np.sin(right), np.sin(up)])
    sun_latitude = np.degrees(np.arcsin(-places @ pole / distance))
    graphic = np.degrees(np.arctan(np.tan(np.radians(-10.5)) * (487.3 / 446.0) ** 2))
    noon = ds.solar_elevation_deg.values.argmax()
    highest = 90.0 - abs(graphic - sun_latitude[noon])
    assert ds.solar_elevation_deg.values[noon] == pytest.approx(highest, abs=0.02)
    assert ds.local_true_solar_time_hours.values[noon] == pytest.approx(12.0, abs=0.1)
