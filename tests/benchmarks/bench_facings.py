"""The best facings and sets of units over many sites and optics, held to a table of values reached before.

    python tests/benchmarks/bench_facings.py --small [--case WORDS] [--goal GOAL] [--cache FOLDER] [--write]

Each case is a site and a table of acceptance; four goals; one unit by `best_facing`, more by one call of `choose_units`, whose
curve holds the smaller sets. Without --write the values are compared with the rows of `facings_reached.csv` for the same
span, and the script fails where one is worse by more than 0.1 %; a value without such a row is printed as not compared. The
table holds half a year (--small); --write without it adds rows for the whole one. Times are user CPU seconds of the call whose
largest set a row is; two small cases are searched first, so that compiling is left out. Set NUMBA_NUM_THREADS=1 and
OPENBLAS_NUM_THREADS=1: threads that wait for a busy machine count as user time.

--small   half a year, and 12 units for every third case only (else 4)
--cache   keep the weighed skies there, for the next run
"""

from __future__ import annotations

import argparse
import csv
import math
import pickle
import resource
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from yieldsim.base.load_model import Load, LoadPlan, Storage
from yieldsim.base.model import (
    Acceptance,
    BiaxialAcceptance,
    Collector,
    Dust,
    HorizonMask,
    Mount,
    RoundAcceptance,
    Site,
)
from yieldsim.files.inputs.readers import read_body
from yieldsim.planning.orientation.best_facing import best_facing
from yieldsim.planning.orientation.load_objective import use_of
from yieldsim.planning.orientation.objectives import GOALS, FacingProblem, Goal, Prospect
from yieldsim.planning.sunlight.cumulative_sky import weigh
from yieldsim.planning.unit_sets.design import choose_units
from yieldsim.runs.setup.prepare import prepare

TABLE = Path(__file__).with_name("facings_reached.csv")
COLUMNS = ("case", "goal", "units", "end", "value", "upper_bound", "cpu_s")
START, HALF_YEAR, WHOLE_YEAR = "2027-01-01", "2027-07-01", "2028-01-01"
"""Runs begin at the first; `end` in the table says to which of the others."""
Key = tuple[str, ...]
WORSE = 1e-3
LOAD_SHARE = 0.5
"""A load asks steadily for this share of the mean light on an aperture that follows the Sun."""

HILLS = HorizonMask(
    azimuth_deg=[0, 40, 80, 120, 180, 230, 270, 320], elevation_deg=[4, 12, 3, 18, 6, 2, 25, 8]
)
RIM = HorizonMask(
    azimuth_deg=[0, 30, 60, 100, 150, 200, 240, 300],
    elevation_deg=[-0.8, 0.6, -1.2, 1.0, -0.4, 0.9, -1.5, 0.2],
)
BY_TILT = Dust(loss_per_day=0.004, tilt_exponent=1.2, floor=0.3)
SITES: dict[str, dict[str, Any]] = {
    "moon pole": {"body": "moon", "latitude_deg": -89.45, "longitude_deg": 222.7, "horizon": RIM},
    "moon hills": {"body": "moon", "latitude_deg": -41.0, "longitude_deg": 75.0, "horizon": HILLS},
    "moon equator": {"body": "moon", "latitude_deg": 1.2, "longitude_deg": 316.0},
    "mars plain": {"body": "mars", "latitude_deg": 22.4, "longitude_deg": 200.5, "optical_depth": 0.5},
    "mars dust": {
        "body": "mars",
        "latitude_deg": -35.0,
        "longitude_deg": 20.0,
        "optical_depth": 0.6,
        "dust": BY_TILT,
    },
    "mars pole": {"body": "mars", "latitude_deg": 81.0, "longitude_deg": 0.0, "optical_depth": 0.3},
    "mercury rim": {"body": "mercury", "latitude_deg": 86.2, "longitude_deg": 60.5, "horizon": RIM},
    "mercury equator": {"body": "mercury", "latitude_deg": 0.5, "longitude_deg": 90.0},
    "earth hills": {"body": "earth", "latitude_deg": 45.0, "longitude_deg": 7.0, "horizon": HILLS, "optical_depth": 0.3},
    "earth equator": {"body": "earth", "latitude_deg": 0.0, "longitude_deg": 37.0, "optical_depth": 0.3},
}  # fmt: skip


def cone(half_deg: float) -> RoundAcceptance:
    """A round funnel: flat, a shoulder, an edge."""
    return RoundAcceptance(
        incidence_deg=[0.0, 0.8 * half_deg, half_deg, 1.1 * half_deg],
        acceptance_fraction=[0.85, 0.8, 0.6, 0.0],
        source="point",
    )


def trough(across_deg: float, along_deg: float) -> BiaxialAcceptance:
    """A trough: narrow across, wide along, the same on both sides."""
    across, along = np.array([0.9, 0.85, 0.0]), np.array([0.9, 0.85, 0.6, 0.0])
    return BiaxialAcceptance(
        transverse_deg=across_deg * np.array([0.0, 0.7, 1.0]),
        longitudinal_deg=along_deg * np.array([0.0, 0.4, 0.8, 1.0]),
        acceptance_fraction=np.outer(across, along),
        source="point",
    )


OPTICS: dict[str, Acceptance] = {
    **{f"cone {half:g}": cone(half) for half in (1.0, 3.0, 8.0, 20.0, 40.0)},
    **{f"trough {a:g}x{b:g}": trough(a, b) for a, b in ((1.0, 60.0), (5.0, 50.0), (15.0, 40.0))},
    "lopsided": BiaxialAcceptance(
        transverse_deg=[-5, -3, 0, 2, 6, 9],
        longitudinal_deg=[-40, -20, 0, 15, 25],
        acceptance_fraction=[
            [0, 0, 0, 0, 0],
            [0.1, 0.4, 0.5, 0.4, 0],
            [0.3, 0.6, 0.8, 0.7, 0.1],
            [0.3, 0.65, 0.85, 0.75, 0.2],
            [0.1, 0.3, 0.5, 0.3, 0.05],
            [0, 0, 0, 0, 0],
        ],
        source="point",
    ),
}
CASES = (
    ("moon pole", "cone 20"), ("moon pole", "cone 3"), ("moon pole", "trough 5x50"),
    ("moon pole", "trough 15x40"), ("moon hills", "cone 8"), ("moon hills", "lopsided"),
    ("moon equator", "cone 40"), ("moon equator", "trough 1x60"), ("mars plain", "cone 8"),
    ("mars plain", "trough 5x50"), ("mars plain", "cone 1"), ("mars dust", "trough 15x40"),
    ("mars dust", "cone 20"), ("mars pole", "cone 20"), ("mars pole", "lopsided"),
    ("mercury rim", "cone 8"), ("mercury rim", "trough 15x40"), ("mercury equator", "cone 3"),
    ("earth hills", "trough 15x40"), ("earth hills", "cone 40"), ("earth equator", "cone 20"),
    ("earth equator", "lopsided"), ("mars dust", "lopsided"), ("earth hills", "cone 8"),
)  # fmt: skip


def cpu_s() -> float:
    """User CPU seconds of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_utime


def prospect_of(site: str, optics: str, small: bool, cache: Path | None) -> tuple[Prospect, float]:
    """What facings are judged by, with a steady load and a store of a day; and what the load asks for a year, kWh."""
    table, place = OPTICS[optics], dict(SITES[site])
    noun = Site(name=site, **{**place, "body": read_body(place["body"]).noun})
    collector = Collector(
        name=optics,
        aperture_area_m2=0.05,
        mounts=(Mount(tilt_deg=45.0, azimuth_deg=0.0),),
        acceptance=table,
    )
    ready = prepare(noun, collector, START, HALF_YEAR if small else WHOLE_YEAR)
    kept = None if cache is None else cache / f"{site}-{optics}-{'small' if small else 'whole'}.pickle"
    if kept is not None and kept.exists():
        sky, track = pickle.loads(kept.read_bytes())
    else:
        sky, track = weigh(ready.setting, ready.grid)
        if kept is not None:
            kept.parent.mkdir(parents=True, exist_ok=True)
            kept.write_bytes(pickle.dumps((sky, track)))
    steady_w = 1000.0 * LOAD_SHARE * sky.total_kwh() / sky.hours
    plan = LoadPlan(
        name="steady",
        loads=(Load(name="lamp", kind="light", amount=steady_w),),
        storage=Storage(capacity_kwh=0.024 * steady_w),
    )
    use, asked_kwh = use_of(plan, ready.setting, ready.grid, 1)
    return Prospect.of(sky, track, table, use), asked_kwh / sky.years


def rows_of(
    case: tuple[str, str], goals: tuple[Goal, ...], most: int, small: bool, cache: Path | None
) -> Iterator[dict[str, str]]:
    """Values of one case."""
    prospect, asked_kwh = prospect_of(*case, small, cache)
    for goal in goals:
        began = cpu_s()
        found = best_facing(FacingProblem(prospect, goal))
        spent = cpu_s() - began
        began = cpu_s()
        plan = choose_units(prospect, goal, most, found=found, most_use_kwh=asked_kwh)
        sets_spent = cpu_s() - began
        for units in (1, 2, 4, 12):
            if units > most:
                break
            one = plan.curve[units - 1]
            score = one.value if units > 1 else abs(found.score)
            spent_here = spent if units == 1 else sets_spent if units == most else math.nan
            yield {
                "case": ", ".join(case),
                "goal": goal,
                "units": str(units),
                "end": HALF_YEAR if small else WHOLE_YEAR,
                "value": f"{score:.7g}",
                "upper_bound": f"{one.upper_bound:.7g}",
                "cpu_s": "" if math.isnan(spent_here) else f"{spent_here:.2f}",
            }


def key_of(row: dict[str, str]) -> Key:
    """What tells rows of the table apart."""
    return tuple(row[column] for column in COLUMNS[:4])


def compared(row: dict[str, str], known: dict[Key, dict[str, str]]) -> float | None:
    """How much worse a value is than the one reached before over the same span, as a share; negative where it is better; None
    where there is none."""
    before = known.get(key_of(row))
    if before is None:
        print(*row.values(), "not compared: no such row in the table", sep="  ", flush=True)
        return None
    reached, was = float(row["value"]), float(before["value"])
    worse = (reached - was if row["goal"] == "shortest-gap" else was - reached) / max(abs(was), 1e-9)
    beaten = row["goal"] != "shortest-gap" and reached > float(row["upper_bound"]) * (1.0 + 1e-9)
    words = (
        f"{row['case']:<30}{row['goal']:<14}{row['units']:>3}",
        f"{was:>10.6g} -> {reached:>10.6g}  {-100.0 * worse:+8.3f} %",
        f"{before['cpu_s'] or '-':>7} -> {row['cpu_s'] or '-':>7} s"
        + ("  ABOVE ITS BOUND" if beaten else ""),
    )
    print(*words, sep="  ", flush=True)
    return worse


def main() -> None:
    """Run the cases."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--case", action="append", default=[])
    parser.add_argument("--goal", action="append", default=[], choices=GOALS)
    parser.add_argument("--small", action="store_true")
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    known = {}
    if TABLE.exists():
        with TABLE.open() as file:
            known = {key_of(row): row for row in csv.DictReader(file)}
    goals: tuple[Goal, ...] = tuple(given.goal) or GOALS
    for warm in (("mercury equator", "cone 8"), ("mercury equator", "lopsided")):
        list(rows_of(warm, goals, 2, True, given.cache))
    worse, alone = [], 0
    for number, case in enumerate(CASES):
        if given.case and not any(words in ", ".join(case) for words in given.case):
            continue
        most = 12 if number % 3 == 0 or not given.small else 4
        for row in rows_of(case, goals, most, given.small, given.cache):
            share = compared(row, known)
            alone += share is None
            if given.write:
                known[key_of(row)] = row
            elif share is not None and share > WORSE:
                worse.append(row)
        if given.write:
            with TABLE.open("w", newline="") as file:
                writer = csv.DictWriter(file, COLUMNS)
                writer.writeheader()
                writer.writerows(known.values())
    if alone:
        print(f"{alone} values were compared with nothing: the table has no row for their span")
    if worse:
        raise SystemExit(f"{len(worse)} values are worse by more than {WORSE:.1%}")


if __name__ == "__main__":
    main()
