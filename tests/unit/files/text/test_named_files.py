"""A file that another file names lies under that file's folder or the working directory: whatever kind, however named."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.clock import tdb_seconds
from yieldsim.base.errors import DataMissing, InputError
from yieldsim.files.describe import recognised
from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
from yieldsim.files.inputs.readers import read_body
from yieldsim.files.text.bundled import bodies_folder, ephemeris_folder

FRAMES, TURN = "moon_080317.tf", "moon_pa_de421_1900-2050.bpc"
NAMING = {
    "frame_file": ('frame_file = "{}"', "body"),
    "binary_file": ('binary_file = "{}"', "body"),
    "body": (
        'name = "a"\nbody = "{}"\nlatitude_deg = 0\nlongitude_deg = 0\n[horizon]\nflat = true',
        "secret.toml",
    ),
    "[horizon] table": (
        'name = "a"\nbody = "moon"\nlatitude_deg = 0\nlongitude_deg = 0\n[horizon]\ntable = "{}"',
        "secret.csv",
    ),
    "[horizon] terrain": (
        'name = "a"\nbody = "moon"\nlatitude_deg = 0\nlongitude_deg = 0\n[horizon]\nterrain = ["{}"]',
        "secret.tif",
    ),
    "[atmosphere] table": (
        'name = "a"\nbody = "mars"\nlatitude_deg = 0\nlongitude_deg = 0\n[horizon]\nflat = true\n'
        '[atmosphere]\ntable = "{}"',
        "secret.csv",
    ),
    "[acceptance] table": (
        'name = "a"\naperture_area_m2 = 1\n[[mounts]]\ntilt_deg = 0\nazimuth_deg = 0\n'
        '[acceptance]\ntable = "{}"\nsource = "point"',
        "secret.csv",
    ),
    "[acceptance] prescription": (
        'name = "a"\naperture_area_m2 = 1\n[[mounts]]\ntilt_deg = 0\nazimuth_deg = 0\n'
        '[acceptance]\nprescription = "{}"',
        "secret.toml",
    ),
    "[fibre] table": (
        'name = "a"\naperture_area_m2 = 1\n[[mounts]]\ntilt_deg = 0\nazimuth_deg = 0\n'
        '[acceptance]\nprescription = "in.toml"\n[fibre]\nlength_m = 1\ntable = "{}"',
        "secret.csv",
    ),
    "[[loads]] #1 table": ('[[loads]]\nname = "a"\nkind = "heat"\ntable = "{}"', "secret.csv"),
    "[[materials]] #1 table": (
        'name = "a"\n[lens]\nkind = "none"\n[fibre]\nface_diameter_mm = 8.0\nnumerical_aperture = 0.5\n'
        '[[materials]]\nname = "m"\ntable = "{}"',
        "secret.csv",
    ),
}
"""By the key that names a file: a text around the name, and what the file outside is called."""


@pytest.fixture
def rooms(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, Path]:
    """The folder of the naming file, which is also the working directory, and one outside of it with what it must not reach."""
    inside, outside = tmp_path / "inside", tmp_path / "outside"
    inside.mkdir()
    outside.mkdir()
    for name in ("secret.csv", "secret.toml", "secret.tif"):
        (outside / name).write_text("root:x:0:0:root:/root:/bin/bash\n")
    shutil.copy(ephemeris_folder() / FRAMES, outside / "secret.tf")
    shutil.copy(ephemeris_folder() / TURN, outside / "secret.bpc")
    (inside / "in.toml").write_text("a = 1\n")
    monkeypatch.chdir(inside)
    monkeypatch.delenv("YIELDSIM_KERNELS", raising=False)
    return inside, outside


def write_naming(folder: Path, key: str, name: str) -> Path:
    """A file that names another one under the key."""
    text, _ = NAMING[key]
    if key.endswith("_file"):
        body = (bodies_folder() / "moon.toml").read_text()
        own = FRAMES if key == "frame_file" else TURN
        text = body.replace(f'{key} = "{own}"', text.format(name))
        assert name in text
    path = folder / "naming.toml"
    path.write_text(text.replace("{}", name))
    return path


def secret_of(key: str) -> str:
    return {"frame_file": "secret.tf", "binary_file": "secret.bpc"}.get(key) or NAMING[key][1]


@pytest.mark.parametrize("key", NAMING)
@pytest.mark.parametrize("way", ["absolute", "dots", "link", "linked folder"])
def test_no_key_reaches_outside(rooms: tuple[Path, Path], key: str, way: str) -> None:
    inside, outside = rooms
    secret = secret_of(key)
    name = {"absolute": str(outside / secret), "dots": f"../outside/{secret}"}.get(way, f"here-{secret}")
    if way == "link":
        os.symlink(outside / secret, inside / name)
    if way == "linked folder":
        os.symlink(outside, inside / "door")
        name = f"door/{secret}"
    with pytest.raises(InputError) as caught:
        recognised(write_naming(inside, key, name))
    lines = [str(problem) for problem in caught.value.problems]
    told = [line for line in lines if "lies outside its folder and the working directory" in line]
    assert len(told) == 1, lines
    assert told[0].startswith("naming.toml line ")
    assert key in told[0]
    assert "root:" not in "".join(lines)


@pytest.mark.parametrize("key", NAMING)
@pytest.mark.parametrize(
    "name", ["https://example.org/a.tif", "/vsicurl/http://example.org/a.tif", "s3://b/a.csv"]
)
def test_no_key_reaches_the_network(rooms: tuple[Path, Path], key: str, name: str) -> None:
    with pytest.raises(InputError, match=r"does not exist|lies outside") as caught:
        recognised(write_naming(rooms[0], key, name))
    assert any(key in str(problem) for problem in caught.value.problems)


def test_kernels_beside_the_body_file_turn_it(rooms: tuple[Path, Path]) -> None:
    """By bare name and in a folder below; each is used and recorded, and the answer is that of the bundled pair."""
    inside, _ = rooms
    (inside / "below").mkdir()
    shutil.copy(ephemeris_folder() / FRAMES, inside / "mine.tf")
    shutil.copy(ephemeris_folder() / TURN, inside / "below" / "mine.bpc")
    text = (bodies_folder() / "moon.toml").read_text()
    (inside / "own.toml").write_text(text.replace(FRAMES, "mine.tf").replace(TURN, "below/mine.bpc"))
    body = read_body("own.toml").noun
    start, end = (
        float(s) for s in tdb_seconds(np.array(["2027-01-01", "2027-01-02"], dtype="datetime64[ns]"))
    )
    own = open_ephemeris(body, start, end)
    assert [source.name for source in own.sources][-2:] == ["mine.tf", "mine.bpc"]
    assert not own.notes


def test_a_bare_name_found_nowhere_is_told_at_the_run(rooms: tuple[Path, Path]) -> None:
    body = read_body(write_naming(rooms[0], "binary_file", "lost.bpc")).noun
    start, end = (
        float(s) for s in tdb_seconds(np.array(["2027-01-01", "2027-01-02"], dtype="datetime64[ns]"))
    )
    with pytest.raises(DataMissing, match=r"lost\.bpc is in none of the kernel folders"):
        open_ephemeris(body, start, end)
    assert body.orientation_kernel is not None
    dots = replace(
        body, orientation_kernel=replace(body.orientation_kernel, binary_file="../outside/secret.bpc")
    )
    with pytest.raises(DataMissing, match="none of the kernel folders"):
        open_ephemeris(dots, start, end)


def test_a_link_in_a_kernel_folder_does_not_lead_a_name_out(rooms: tuple[Path, Path]) -> None:
    inside, outside = rooms
    (inside / "ephemeris_cache").mkdir()
    os.symlink(outside / "secret.csv", inside / "ephemeris_cache" / "secret.csv")
    body = read_body(write_naming(inside, "frame_file", "secret.csv")).noun
    start, end = (
        float(s) for s in tdb_seconds(np.array(["2027-01-01", "2027-01-02"], dtype="datetime64[ns]"))
    )
    with pytest.raises(DataMissing, match=r"secret\.csv is in none of the kernel folders"):
        open_ephemeris(body, start, end)
