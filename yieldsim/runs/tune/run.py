"""The tuning run: which values of a prescription deliver most at a site over a year.

The figure of merit is energy at the site, not peak efficiency: a fixed collector trades the width of its
acceptance against its concentration. The year is compressed once into a weighted sky; each design is
traced, and its energy read off for the facing that suits it best (or for a collector's mounts). A sweep
over an even grid shows the whole range; scipy's optimiser then goes on from the best point of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import CannotCompute, InputError, Problem
from yieldsim.base.model import Acceptance, Collector, Mount, Notes, Site, Source
from yieldsim.runs.tune.evaluator import TOLERANCE, Bench, Range, Trial, trial_row

if TYPE_CHECKING:
    from yieldsim.base.numerics.vectors import FloatArray

Progress = Callable[[int, int], None]

POINTS_ONE, POINTS_TWO = 13, 7
FINAL_EVALUATIONS = 24


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TuneRun:
    """A finished tuning.

    trials   the even grid, row by row; `steps` what the optimiser tried after it
    """

    ranges: tuple[Range, ...]
    trials: tuple[Trial, ...]
    steps: tuple[Trial, ...]
    best: Trial
    present: Trial | None
    tuned_text: str | None
    summary: dict[str, Any]


def tune(
    optics: str | Path,
    site: str | Path | Site,
    vary: Sequence[str],
    *,
    collector: str | Path | Collector | None = None,
    start: object | None = None,
    end: object | None = None,
    years: float | None = None,
    span: str | None = None,
    points: int | None = None,
    kernels: str | Path | Sequence[str | Path] = (),
    progress: Progress | None = None,
) -> TuneRun:
    """Vary one or two values of a prescription between limits; the design that delivers most at the site.

    vary        "KEY=LOW:HIGH" once or twice; KEY as in the file, with its table where several have it:
    "funnel.length_m"
    collector   its shield, fibre and mounts are kept; without one, no such losses, and every design gets
    its best facing
    start, end, years, span, kernels   as for an estimate
    points      of the even grid along each value

    Raises InputError for wrong files or keys, DataMissing or CannotCompute as an estimate does.
    """
    import numpy as np

    from yieldsim.files.prescription.edit import present_value, read_source, rewritten
    from yieldsim.files.prescription.read import read_prescription
    from yieldsim.planning.sunlight.cumulative_sky import weigh
    from yieldsim.runs.trace.run import acceptance_from_prescription

    text, data = read_source(optics)
    loaded = read_prescription(optics)
    ranges = parse_ranges(vary, data)
    count = points or (POINTS_ONE if len(ranges) == 1 else POINTS_TWO)
    if not 3 <= count <= 101:
        raise InputError(Problem("--points", found=f"is {count}", allowed="3 to 101"))
    notes = Notes(list(loaded.warnings))
    base, _, _ = acceptance_from_prescription(optics, TOLERANCE)
    when = {"start": start, "end": end, "years": years, "span": span, "kernels": kernels}
    ready = _prepared(site, collector, base, when)
    sky, _ = weigh(ready.setting, ready.grid)
    mounts = ready.setting.collector.mounts if collector is not None else ()
    bench = Bench(
        data=data,
        path=Path(optics),
        ranges=ranges,
        sky=sky.merged(),
        design=ready.setting.collector,
        mounts=mounts,
    )
    axes = [np.linspace(one.low, one.high, count) for one in ranges]
    designs = [
        tuple(float(v) for v in row)
        for row in np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(ranges))
    ]
    trials = []
    total = len(designs) + FINAL_EVALUATIONS
    for done, design in enumerate(designs, start=1):
        trials.append(bench.trial(design))
        if progress is not None:
            progress(done, total)
    if max(trial.annual_kwh for trial in trials) <= 0.0:
        reasons = sorted({trial.reason for trial in trials if trial.reason})
        raise CannotCompute(
            "no design in the range delivers anything" + (f": {reasons[0]}" if reasons else "")
        )
    grid_keys = {trial.values for trial in trials}
    _climb(bench, axes, trials)
    if progress is not None:
        progress(total, total)
    steps = tuple(trial for values, trial in bench.tried.items() if values not in grid_keys)
    best = max([*trials, *steps], key=lambda trial: trial.annual_kwh)
    values = [present_value(data, one.path) for one in ranges]
    present = bench.trial([v for v in values if v is not None]) if None not in values else None
    # what was told of the span comes first
    notes = Notes([*ready.notes.lines, *notes.lines])
    if ready.period.is_part:
        notes.add(f"the span is {sky.hours / 24.0:.1f} days: annual_kwh is what is delivered within it")
    run = TuneRun(
        ranges=ranges,
        trials=tuple(trials),
        steps=steps,
        best=best,
        present=present,
        tuned_text=rewritten(text, {one.path: value for one, value in zip(ranges, best.values, strict=True)}),
        summary={},
    )
    run.summary.update(_summary(run, ready, loaded.noun.name, notes, loaded.sources, mounts))
    return run


def parse_ranges(vary: Sequence[str], data: dict[str, Any]) -> tuple[Range, ...]:
    """One or two "KEY=LOW:HIGH". Raises InputError with every wrong one."""
    from yieldsim.files.prescription.edit import key_path

    problems: list[Problem] = []
    found: list[Range] = []
    if not 1 <= len(vary) <= 2:
        problems.append(Problem("--vary", found=f"stands {len(vary)} times", allowed="once or twice"))
    for words in vary:
        key, equals, span = words.partition("=")
        low, colon, high = span.partition(":")
        try:
            ends = float(low), float(high)
        except ValueError:
            ends = (math.nan, math.nan)
        if not (equals and colon and ends[0] < ends[1] and all(math.isfinite(end) for end in ends)):
            hint = "as in focal_length_m=0.3:1.0"
            problems.append(
                Problem("--vary", found=f'is "{words}"', allowed="KEY=LOW:HIGH, LOW below HIGH", hint=hint)
            )
            continue
        try:
            found.append(Range(path=key_path(key.strip(), data), low=ends[0], high=ends[1]))
        except InputError as error:
            problems.extend(error.problems)
    if len({one.path for one in found}) < len(found):
        problems.append(Problem("--vary", found=f"names {found[0].name} twice"))
    if problems:
        raise InputError(problems)
    return tuple(found)


def _prepared(
    site: str | Path | Site,
    collector: str | Path | Collector | None,
    base: Acceptance,
    span: dict[str, Any],
) -> Any:
    """The run's setting for one square metre of aperture, at the site's losses and the collector's."""
    from dataclasses import replace

    from yieldsim.runs.setup.prepare import prepare, read_inputs

    notes = Notes()
    if collector is None:
        design = Collector(
            name="tuned",
            aperture_area_m2=1.0,
            mounts=(Mount(tilt_deg=0.0, azimuth_deg=0.0),),
            acceptance=base,
        )
        place: str | Path | Site = site
        sources: tuple[Source, ...] = ()
    else:
        place, design, sources = read_inputs(site, collector, notes)
        design = replace(design, aperture_area_m2=1.0, acceptance=base)
    ready = prepare(place, design, **span)
    for line in notes.lines:
        ready.notes.add(line)
    return replace(ready, inputs=(*sources, *ready.inputs))


def _climb(bench: Bench, axes: list[FloatArray], trials: Sequence[Trial]) -> None:
    """Go on from the best grid point, one cell either way, with scipy's bounded optimisers."""
    import numpy as np
    from scipy.optimize import minimize, minimize_scalar

    top = max(trials, key=lambda trial: trial.annual_kwh)
    bounds = []
    for value, axis in zip(top.values, axes, strict=True):
        cell = axis[1] - axis[0]
        bounds.append((max(axis[0], value - cell), min(axis[-1], value + cell)))
    scale = max(top.annual_kwh, 1e-12)
    if len(axes) == 1:
        minimize_scalar(
            lambda value: -bench.trial([value]).annual_kwh / scale,
            bounds=bounds[0],
            method="bounded",
            options={"maxiter": FINAL_EVALUATIONS, "xatol": 2e-3 * (bounds[0][1] - bounds[0][0])},
        )
        return
    low, high = np.array(bounds).T
    start = (np.array(top.values) - low) / (high - low)
    corner = np.array([start, start, start])
    for place in range(2):
        corner[place + 1, place] += 0.25 if start[place] < 0.6 else -0.25
    minimize(
        lambda unit: -bench.trial(low + np.clip(unit, 0.0, 1.0) * (high - low)).annual_kwh / scale,
        start,
        method="Nelder-Mead",
        bounds=[(0.0, 1.0), (0.0, 1.0)],
        options={"initial_simplex": corner, "maxfev": FINAL_EVALUATIONS, "xatol": 5e-3, "fatol": 1e-4},
    )


def at_end(one: Range, value: float) -> bool:
    """Whether a best value lies so near an end of its range, a hundredth of it, that the best may lie beyond."""
    return min(value - one.low, one.high - value) <= 0.01 * (one.high - one.low)


def _summary(
    run: TuneRun, ready: Any, name: str, notes: Notes, sources: tuple[Source, ...], mounts: tuple[Mount, ...]
) -> dict[str, Any]:
    from yieldsim.base.clock import iso
    from yieldsim.files.output.provenance import provenance

    failed = [trial for trial in run.trials if trial.reason]
    if failed:
        notes.add(f"{len(failed)} of {len(run.trials)} designs can't be built; the first: {failed[0].reason}")
    for place, one in enumerate(run.ranges):
        if at_end(one, run.best.values[place]):
            notes.add(
                f"the best {one.name} lies at the end of its range, {run.best.values[place]:g}: widen it to be sure"
            )
    return {
        "schema": "yieldsim tune 1",
        "name": name,
        "site": ready.setting.site.name,
        "body": ready.setting.site.body.name,
        "start_utc": iso(ready.grid.edge_utc[0]),
        "end_utc": iso(ready.grid.edge_utc[-1]),
        "period": ready.period.words(),
        "varied": [{"key": one.name, "low": one.low, "high": one.high} for one in run.ranges],
        "best": trial_row(run.best, run.ranges),
        "present": None if run.present is None else trial_row(run.present, run.ranges),
        "facing": "the collector's mounts" if mounts else "each design's best",
        "designs_tried": len(run.trials) + len(run.steps),
        "tolerance": TOLERANCE,
        "warnings": list(notes.lines),
        "provenance": provenance(
            [*sources, *ready.inputs, *ready.kernels],
            {"vary": [f"{one.name}={one.low:g}:{one.high:g}" for one in run.ranges]},
        ),
    }
