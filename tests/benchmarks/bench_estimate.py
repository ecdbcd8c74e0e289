"""A lunar and a Martian year of the whole chain against the Sun's place alone, step by step through skyfield.

    python tests/benchmarks/bench_estimate.py [--small]

Prints seconds, the ratio to the step-by-step reference over the same
steps, and the peak of memory.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

import numpy as np

from yieldsim.energy.integration import converge
from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
from yieldsim.files.inputs.readers import read_body
from yieldsim.runs.setup.prepare import prepare
from yieldsim.sky.apparent import SiteSky

SITES = Path(__file__).parents[2] / "sites"


def reference_s_per_step(name: str, ready) -> float:
    """Seconds a step of the apparent Sun straight from skyfield, in one vectorised call."""
    body = read_body(name).noun
    start = float(ready.grid.edge_tdb_s[0])
    site = ready.setting.site
    ephemeris = open_ephemeris(body, start, float(ready.grid.edge_tdb_s[-1]))
    sky = SiteSky(ephemeris, body, site.latitude_deg, site.longitude_deg, site.elevation_m)
    times = start + 60.0 * (1 + np.arange(20_000))
    sky.enu_au(times[:10])
    began = time.perf_counter()
    sky.enu_au(times)
    return (time.perf_counter() - began) / len(times)


def main() -> None:
    end = "2027-02-01" if "--small" in sys.argv else "2028-01-01"
    for name, site, collector in (
        ("moon", "lantern-ridge.toml", "narrow.collector.toml"),
        ("mars", "rust-plain.toml", "skyward.collector.toml"),
    ):
        converge(*_ready(site, collector, "2027-01-03"), 1e-3)
        began = time.perf_counter()
        ready = prepare(SITES / site, SITES / collector, "2027-01-01", end)
        result, change = converge(ready.setting, ready.grid, 1e-3)
        whole = time.perf_counter() - began
        steps = 1.5 * len(result.delivering)
        reference = reference_s_per_step(name, ready) * steps
        print(
            f"{name}: to {end} in {whole:.2f} s, {steps:.0f} steps of {result.step_s:g} s and twice that (change {change:.1e}); "
            f"the Sun alone step by step {reference:.2f} s, ratio {reference / whole:.1f}"
        )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


def _ready(site: str, collector: str, end: str):
    ready = prepare(SITES / site, SITES / collector, "2027-01-01", end)
    return ready.setting, ready.grid


if __name__ == "__main__":
    main()
