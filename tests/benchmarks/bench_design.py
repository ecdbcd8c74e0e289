"""How long a whole design takes, stage by stage, and how near its bound comes: the demo and three made-up places and optics.

    python tests/benchmarks/bench_design.py [--small] [--days]

The stages: the light of the place; a first bound over days; the design; its files built and run until their budget passes; what is
told around it (trade-offs, certificate). The programme of split units, with which a design begins, is timed by itself besides.
Reference in the same run: that one linear programme over all candidate facings and all hourly rows, written down and solved from
scratch by scipy's `linprog(method="highs")`. Its facings don't turn between the candidates. The script fails where a bound is above
the design's own mass, or one on split units above what that programme finds.

--small   the demo alone
--days    the reference over days instead of hours: a programme that is no dearer, and solved in a second
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import linprog

from yieldsim.base.model import Notes
from yieldsim.base.plans.design import DesignPlan
from yieldsim.files.inputs.design import read_design
from yieldsim.files.text.bundled import sites_folder
from yieldsim.planning.system.column_generation import relaxed
from yieldsim.planning.system.linear_programme import programme
from yieldsim.planning.system.row_aggregation import even
from yieldsim.runs.design.combinations import Combination, Span, combinations_of, laid_out, prices_of
from yieldsim.runs.design.search import design_one, look
from yieldsim.runs.design.summary import summarised
from yieldsim.runs.design.verify import build

DEMO = sites_folder() / "lantern-ridge.design.toml"
RIDGE, HILLS = sites_folder() / "lantern-ridge.toml", "hills.toml"
WARM = Span(start="2027-01-01", end="2027-02-01")
"""What is compiled is compiled by a month of it."""
YEAR = Span(start="2027-01-01", end="2028-01-01")
TOLERANCE = 1e-6
"""Relative, of what the solvers hold their answers to."""
MADE_UP = (
    ("3-degree lens, few units", RIDGE, 3.0, 3.0, 0.9),
    ("10-degree funnel, few units", RIDGE, 10.0, 6.0, 0.95),
    ("mid-latitude hills, 20-degree funnel", HILLS, 20.0, 20.0, 0.95),
)
"""Name, site, half-width of the optics in degrees, watts asked all the time, share of them served."""


def written(folder: Path) -> Iterator[tuple[str, Path]]:
    """Design files of the made-up combinations."""
    azimuth, elevation = (0, 40, 80, 120, 180, 230, 270, 320), (4, 12, 3, 18, 6, 2, 25, 8)
    rows = "\n".join(f"{a},{e}" for a, e in zip(azimuth, elevation, strict=True))
    (folder / "hills.horizon.csv").write_text(f"azimuth_deg,elevation_deg\n{rows}\n")
    (folder / HILLS).write_text(
        'name = "Hills"\nbody = "moon"\nlatitude_deg = -41.0\nlongitude_deg = 75.0\nelevation_m = 0.0\n'
        'mast_height_m = 5.0\n[horizon]\ntable = "hills.horizon.csv"\n'
    )
    for number, (name, site, half_deg, watts, share) in enumerate(MADE_UP):
        (folder / f"cone-{number}.acceptance.csv").write_text(
            f"incidence_deg,acceptance_fraction\n0,0.85\n{0.8 * half_deg:g},0.8\n{half_deg:g},0.6\n{1.1 * half_deg:g},0\n"
        )
        (folder / f"cone-{number}.collector.toml").write_text(
            f'name = "Cone of {half_deg:g} degrees"\naperture_area_m2 = 0.2\nmass_kg = 4.0\n'
            "[[mounts]]\ntilt_deg = 89.0\nazimuth_deg = 0.0\n"
            f'[acceptance]\ntable = "cone-{number}.acceptance.csv"\nsource = "point"\n'
        )
        (folder / f"lamp-{number}.load.toml").write_text(
            f'name = "Lamp"\n[[loads]]\nname = "lamp"\nkind = "electric"\npower_w = {watts:g}\nhours = "always"\n'
            'converter_efficiency = 0.3\n[storage]\nkind = "battery"\ncapacity_kwh = 1.0\nconverter_efficiency = 0.3\n'
            "discharge_efficiency = 0.96\nstanding_loss_per_day = 0.001\nmass_kg_per_kwh = 7.0\n"
            f"[sizing]\nreliability = {share:g}\n"
        )
        path = folder / f"case-{number}.design.toml"
        path.write_text(
            f'name = "{name}"\nsites = ["{site}"]\ncollectors = ["cone-{number}.collector.toml"]\n'
            f'load = "lamp-{number}.load.toml"\nobjective = "mass"\n'
        )
        yield name, path


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds, and what came out."""
    began = time.perf_counter()
    found = work()
    return time.perf_counter() - began, found


def from_scratch(plan: DesignPlan, one: Combination, span: Span, block_rows: int) -> tuple[float, int, int]:
    """Least mass of the one programme over all candidates, how many there are, and how many blocks of rows."""
    _, serving, sunlight = laid_out(plan, one, span)
    prices, once = prices_of(plan, one)
    terms = serving.terms(repeats=True)
    blocks = even(terms.rows, block_rows)
    light = blocks.sums(sunlight.light_kwh(sunlight.candidates)[: terms.rows])
    lit = blocks.sums(sunlight.lit[: terms.rows].astype(np.float64)) > 0.0
    made = programme(light, lit, terms, blocks, prices)
    limits = np.stack([np.zeros(made.upper.size), made.upper], axis=1)
    found = linprog(made.cost, A_ub=made.matrix, b_ub=made.most, bounds=limits, method="highs")
    if found.status != 0:
        raise SystemExit(f"the reference ended without an answer: {found.message}")
    return float(found.fun) + once, light.shape[1], len(lit)


def staged(words: str, work: Callable[[], Any]) -> tuple[float, Any]:
    """The same, told at once."""
    seconds, found = timed(work)
    print(f"  {words:<26}{seconds:8.2f} s", flush=True)
    return seconds, found


def bench(name: str, path: Path, *, days: bool) -> None:
    """One design and its reference."""
    plan = read_design(path).noun
    everything = combinations_of(plan)
    one = everything[0]
    print(f"{name}:", flush=True)
    design_one(plan, one, WARM, np.inf)
    light_s, (_, serving, sunlight) = staged("light of the place", lambda: laid_out(plan, one, YEAR))
    look_s, looked = staged("first bound", lambda: look(plan, one, YEAR, True))
    prices, once = prices_of(plan, one)
    terms = serving.terms(repeats=True)
    split_s, split = staged("split units alone", lambda: relaxed(sunlight, terms, prices))
    design_s, best = staged("design", lambda: design_one(plan, one, YEAR, np.inf))
    if best.mounts is None:
        raise SystemExit(f"{name}: no design serves the load")
    build_s, built = staged("files, estimate, budget", lambda: build(plan, one, best, YEAR))
    if built is None:
        raise SystemExit(f"{name}: the design's own files do not pass their budget")
    around = (plan, everything, YEAR, [looked], {one.number: best}, best, built, None, Notes(), ())
    around_s, run = staged("what is told around it", lambda: summarised(*around))
    bound = run.summary["bound"]
    print(
        f"  in all                    {light_s + look_s + design_s + build_s + around_s:8.2f} s    {built.units} units, "
        f"{built.capacity_kwh:.3g} kWh of storage, {built.mass_kg:.2f} kg; bound {bound['least']:.2f} kg, "
        f"gap {bound['gap_fraction']:.2%}"
    )
    block_rows = max(round(24.0 / serving.row_hours), 1) if days else 1
    scratch_s, (mass_kg, facings, blocks) = staged(
        "linprog from scratch", lambda: from_scratch(plan, one, YEAR, block_rows)
    )
    print(
        f"    {facings} candidates, {blocks} {'days' if days else 'rows'}: split units at {mass_kg:.2f} kg, those alone "
        f"{split.cost + once:.2f} kg, at least {split.least + once:.2f}; ratio to them {scratch_s / split_s:.2f}, to the design "
        f"{scratch_s / design_s:.2f}",
        flush=True,
    )
    if bound["least"] > built.mass_kg * (1.0 + TOLERANCE):
        raise SystemExit(f"{name}: the bound is above the design")
    if not days and split.least + once > mass_kg * (1.0 + TOLERANCE):
        raise SystemExit(f"{name}: split units are bounded above what the programme finds")


def main() -> None:
    days = "--days" in sys.argv
    bench("demo", DEMO, days=days)
    if "--small" in sys.argv:
        return
    with tempfile.TemporaryDirectory() as folder:
        for name, path in written(Path(folder)):
            bench(name, path, days=days)


if __name__ == "__main__":
    main()
