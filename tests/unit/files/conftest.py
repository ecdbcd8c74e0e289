"""Good input files to start from: each test spoils one thing."""

from __future__ import annotations

from pathlib import Path

import pytest

SITE = """\
name = "Test Ridge"
body = "moon"
latitude_deg = -89.5
longitude_deg = 222.5
elevation_m = 1900
mast_height_m = 10.0

[horizon]
table = "horizon.csv"

[dust]
loss_per_day = 1.0e-4
events = [{ time = 2027-03-01, removes = 0.6 }]
"""

MARS = """\
name = "Test Plain"
body = "mars"
latitude_deg = 20.0
longitude_deg = -160.0

[horizon]
flat = true

[atmosphere]
optical_depth = 0.5
"""

COLLECTOR = """\
name = "Test lens"
aperture_area_m2 = 0.05
mass_kg = 3

[[mounts]]
tilt_deg = 88.0
azimuth_deg = 180.0

[[mounts]]
tilt_deg = 90
azimuth_deg = -90
roll_deg = 10.0
count = 3

[acceptance]
table = "acceptance.csv"
source = "point"

[shield]
film_transmittance = 0.93
removal = 0.98
cycle_hours = 24.0
duty_minutes = 10.0
power_w = 3.0

[fibre]
length_m = 30.0
attenuation_db_per_km = 8.0
packing = 0.85
end_reflection = 0.035
"""

HORIZON = "azimuth_deg,elevation_deg\n0,1.5\n90,-0.25\n180,0\n270,2\n"
ACCEPTANCE = "incidence_deg,acceptance_fraction\n0,0.8\n2,0.8\n4,0\n"


class Folder:
    """A folder of input files that tests spoil."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def write(self, name: str, content: str | bytes) -> Path:
        target = self.path / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content if isinstance(content, bytes) else content.encode())
        return target

    def site(self, *changes: tuple[str, str], text: str = SITE) -> Path:
        return self.write("site.toml", changed(text, *changes))

    def collector(self, *changes: tuple[str, str]) -> Path:
        return self.write("collector.toml", changed(COLLECTOR, *changes))


def changed(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return text


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Folder:
    """A folder with a good site and a good collector, which is also the working directory."""
    monkeypatch.chdir(tmp_path)
    made = Folder(tmp_path)
    made.site()
    made.collector()
    made.write("horizon.csv", HORIZON)
    made.write("acceptance.csv", ACCEPTANCE)
    return made


@pytest.fixture
def mars_text() -> str:
    """A good site on Mars."""
    return MARS
