"""A million cells, 360 azimuths, a year of Sun: seconds, memory of all processes, and what one cell would cost by itself.

    python tests/benchmarks/bench_survey.py [--small] [workers]

Needs the LOLA terrain in ../shared/data/terrain beside the repository. Reference in the same run: skyline and estimate of single
places, the way without a survey. Goal: under 60 s and 4 GB on two cores.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

from yieldsim.base.model import Site
from yieldsim.files.inputs.readers import read_body
from yieldsim.runs.estimate.run import estimate
from yieldsim.runs.horizon.run import horizon
from yieldsim.runs.survey.options import SurveyOptions
from yieldsim.runs.survey.run import survey

ROOT = Path(__file__).resolve().parents[2]
TERRAIN = ROOT.parent / "shared" / "data" / "terrain"
FILES = [
    TERRAIN / name
    for name in ("lola_south_ridge_10m.tif", "lola_south_pole_240m.tif", "lola_south_pole_far_1787m.tif")
]
COLLECTOR = ROOT / "sites" / "wide.collector.toml"


def family_kb() -> int:
    """Resident memory of this process and all below it, from the system's table of processes."""
    parents, resident = {}, {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            words = (folder / "stat").read_text().rsplit(")", 1)[1].split()
            status = (folder / "status").read_text()
        except OSError:
            continue
        parents[int(folder.name)] = int(words[1])
        line = next((row for row in status.splitlines() if row.startswith("VmRSS")), "VmRSS: 0 kB")
        resident[int(folder.name)] = int(line.split()[1])
    ours = {os.getpid()}
    grown = True
    while grown:
        more = {process for process, parent in parents.items() if parent in ours} - ours
        ours |= more
        grown = bool(more)
    return sum(resident.get(process, 0) for process in ours)


def main() -> None:
    """Run and print."""
    if not all(path.is_file() for path in FILES):
        sys.exit(f"no LOLA terrain in {TERRAIN}")
    counts = [int(word) for word in sys.argv[1:] if word.isdigit()]
    workers = counts[0] if counts else None
    peak = [0]

    def watch() -> None:
        while True:
            peak[0] = max(peak[0], family_kb())
            time.sleep(0.25)

    threading.Thread(target=watch, daemon=True).start()
    with tempfile.TemporaryDirectory() as folder:
        small = SurveyOptions(window=(-11_320, -12_320, -11_000, -12_000), mast_height_m=2.0, workers=1)
        survey(FILES, "moon", COLLECTOR, "2026-01-01", options=small, work_folder=folder)  # compiles
        window = (
            (-11_320, -12_320, -10_000, -11_000)
            if "--small" in sys.argv
            else (-16_000, -17_000, -6_000, -7_000)
        )
        whole = SurveyOptions(window=window, mast_height_m=2.0, workers=workers)
        start = time.perf_counter()
        ds = survey(FILES, "moon", COLLECTOR, "2026-01-01", options=whole, work_folder=folder)
        seconds = time.perf_counter() - start
    cells = json.loads(ds.attrs["summary"])["cells"]
    place = json.loads(ds.attrs["summary"])["places"][0]
    site = Site(
        name="best",
        body=read_body("moon").noun,
        latitude_deg=place["latitude_deg"],
        longitude_deg=place["longitude_deg"],
        elevation_m=place["elevation_m"],
        mast_height_m=2.0,
    )
    horizon(site, FILES)
    start = time.perf_counter()
    mask = horizon(site, FILES).mask
    skyline_s = time.perf_counter() - start
    estimate(replace(site, horizon=mask), COLLECTOR, "2026-01-01", "2026-01-03")
    start = time.perf_counter()
    estimate(replace(site, horizon=mask), COLLECTOR, "2026-01-01")
    estimate_s = time.perf_counter() - start
    print(
        f"{cells} cells in {seconds:.1f} s: {seconds / cells * 1e6:.1f} us a cell, "
        f"{seconds / cells / 360 * 1e9:.0f} ns a cell and azimuth"
    )
    print(f"peak memory of all processes {peak[0] / 1e6:.2f} GB")
    print(f"one place by itself: skyline {skyline_s:.2f} s, estimate {estimate_s:.2f} s")
    print(f"ratio to {cells} places one by one: {(skyline_s + estimate_s) * cells / seconds:.0f}")


if __name__ == "__main__":
    main()
