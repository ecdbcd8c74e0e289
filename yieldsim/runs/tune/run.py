"""The tuning run: which values of a prescription deliver most at a site over a year.

The figure of merit is energy at the site, not peak efficiency: a fixed collector trades the width of its
acceptance against its concentration. The year is compressed once into a weighted sky; each design is
traced, and its energy read off for the facing that suits it best (or for a collector's mounts). A sweep
over an even grid shows the whole range; scipy's optimiser then goes on from the best point of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

from yieldsim.base.errors import CannotCompute, Gathered
from yieldsim.base.model import Collector, Mount, Notes, RoundAcceptance, Site, Source
from yieldsim.base.results.attached import Summarised
from yieldsim.base.results.optics import TuneResult
from yieldsim.runs.tune.confidence import Confidence, confidence
from yieldsim.runs.tune.evaluator import TOLERANCE, Bench, Trial, trial_row
from yieldsim.runs.tune.ranges import Range, parse_ranges

Progress = Callable[[int, int], None]

POINTS_ONE, POINTS_TWO = 13, 7
SAMPLED_FIRST, MOST_SAMPLED = 4, 512
"""Of more than two values: times two for each value, and at most."""
FINAL_EVALUATIONS = 24


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class TuneRun(Summarised):
    """A finished tuning.

    trials   the even grid, row by row, or the sampled designs; `steps` what the optimiser tried after them
    present  the file as it stands
    """

    ranges: tuple[Range, ...]
    trials: tuple[Trial, ...]
    steps: tuple[Trial, ...]
    best: Trial
    present: Trial | None
    sure: Confidence
    tuned_text: str | None
    summary: TuneResult


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
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> TuneRun:
    """Vary values of a prescription between limits; the design that delivers most at the site.

    optics      prescription file
    vary        "KEY=LOW:HIGH" for each; KEY as in the file, with its table where several have it:
        "funnel.length_m"; "KEY,KEY*FACTOR=LOW:HIGH" for values that move together
    collector   its shield, fibre and mounts are kept; without one, no such losses, and every design gets its best facing
    start, end, years, span, kernels, progress   as for an estimate
    points      of the even grid along one or two values; designs sampled (Sobol points) where there are more
    workers     processes of this machine that share the designs of the grid or the sample, and the tracings of the error
    scheduler   address of a Dask cluster that does it instead

    Returns every design tried, the best, how sure its lead is, and `summary`, what tune.json holds.
    Raises InputError for wrong files or keys, DataMissing or CannotCompute as an estimate does.
    """

    from yieldsim.files.prescription.edit import read_source, rewritten
    from yieldsim.files.prescription.read import read_prescription
    from yieldsim.files.text.paths import several
    from yieldsim.planning.sunlight.cumulative_sky import weigh
    from yieldsim.runs.cluster import computing
    from yieldsim.runs.open_inputs import refuse_progress
    from yieldsim.runs.setup.prepare import prepare
    from yieldsim.runs.time_span import refuse_wrong_span
    from yieldsim.runs.trace.run import acceptance_from_prescription

    gathered = Gathered()
    with gathered:
        refuse_progress(progress)
    vary_words: list[Any] = []
    with gathered:
        vary_words = several(vary, "vary", '"KEY=LOW:HIGH", or several of them')
    with gathered:
        text, data = read_source(optics)
        with gathered:
            ranges = parse_ranges(vary_words, data)
        loaded = read_prescription(optics)
    with gathered:
        count = points_of(points, len(vary_words))
    with gathered:
        place, losses, sources = _read(site, collector, notes := Notes())
    with gathered:
        refuse_wrong_span(start, end, years, span)
    gathered.refuse()
    base, _, _ = acceptance_from_prescription(optics, TOLERANCE)
    losses = replace(losses, aperture_area_m2=1.0, acceptance=base)
    ready = prepare(place, losses, start, end, years=years, span=span, kernels=kernels)
    ready = replace(ready, inputs=(*sources, *ready.inputs))
    ready.notes.add(*notes.lines)
    notes = Notes(list(loaded.warnings))
    sky, track = weigh(ready.setting, ready.grid)
    mounts = ready.setting.collector.mounts if collector is not None else ()
    bench = Bench(
        data=data,
        path=Path(optics),
        ranges=ranges,
        sky=sky.merged(),
        track=track,
        design=ready.setting.collector,
        mounts=mounts,
    )
    designs = designs_of(ranges, count)
    total = len(designs) + FINAL_EVALUATIONS * len(ranges)

    def advance(done: int) -> None:
        if progress is not None:
            progress(done, total)

    with computing(len(designs), workers, scheduler) as compute:
        trials = bench.trials(designs, compute, advance)
        if max(trial.annual_kwh for trial in trials) <= 0.0:
            reasons = sorted({trial.reason for trial in trials if trial.reason})
            raise CannotCompute(
                "no design in the range delivers anything" + (f": {reasons[0]}" if reasons else "")
            )
        grid_keys = {trial.values for trial in trials}
        _climb(bench, count, trials)
        advance(total)
        steps = tuple(trial for values, trial in bench.tried.items() if values not in grid_keys)
        best = max([*trials, *steps], key=lambda trial: trial.annual_kwh)
        present = bench.baseline()
        sure = confidence(bench, best, present, compute)
    # what was told of the span comes first
    notes = Notes([*ready.notes.lines, *notes.lines])
    notes.add(*_of_best(bench, best))
    if ready.period.is_part:
        notes.add(f"the span is {sky.hours / 24.0:.1f} days: annual_kwh is what is delivered within it")
    run = TuneRun(
        ranges=ranges,
        trials=tuple(trials),
        steps=steps,
        best=best,
        present=present,
        sure=sure,
        tuned_text=rewritten(
            text,
            {
                path: linked
                for one, value in zip(ranges, best.values, strict=True)
                for path, linked in one.values(value).items()
            },
        ),
        summary=cast(TuneResult, {}),
    )
    return replace(run, summary=_summary(run, ready, loaded.noun.name, notes, loaded.sources, mounts))


def _read(
    site: str | Path | Site, collector: str | Path | Collector | None, notes: Notes
) -> tuple[Site, Collector, tuple[Source, ...]]:
    """The site, and the collector whose losses every design has: none but those of its optics where none is given."""
    import numpy as np

    from yieldsim.runs.setup.prepare import read_inputs

    open_sky = RoundAcceptance(
        incidence_deg=np.array([0.0, 90.0]), acceptance_fraction=np.ones(2), source="point"
    )
    bare = Collector(
        name="tuned",
        aperture_area_m2=1.0,
        mounts=(Mount(tilt_deg=0.0, azimuth_deg=0.0),),
        acceptance=open_sky,
    )
    return read_inputs(site, bare if collector is None else collector, notes)


def points_of(points: int | None, values: int) -> int:
    """Points of the even grid along each of one or two values, or designs sampled of more. Raises InputError."""
    from yieldsim.runs.time_span import whole_number

    usual = {1: POINTS_ONE, 2: POINTS_TWO}.get(values, min(SAMPLED_FIRST << values, MOST_SAMPLED))
    least, most = (3, 101) if values <= 2 else (8, MOST_SAMPLED)
    count = usual if points is None else points
    return whole_number(count, "points", least, most)


def designs_of(ranges: Sequence[Range], count: int) -> list[tuple[float, ...]]:
    """The designs tried first: an even grid over one or two values, Sobol points in the box of more."""
    import numpy as np

    if len(ranges) <= 2:
        axes = [np.linspace(one.low, one.high, count) for one in ranges]
        rows = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(ranges))
    else:
        from scipy.stats import qmc

        low, high = np.array([one.low for one in ranges]), np.array([one.high for one in ranges])
        sampled = qmc.Sobol(len(ranges), seed=0).random_base2(math.ceil(math.log2(count)))[:count]
        rows = low + sampled * (high - low)
    return [tuple(float(value) for value in row) for row in rows]


def _of_best(bench: Bench, best: Trial) -> list[str]:
    """What a trace of the design that is recommended warns of."""
    from yieldsim.files.prescription.read import prescription_from
    from yieldsim.files.toml.context import Loaded
    from yieldsim.runs.trace.run import trace_loaded, ways_of

    noun = prescription_from(bench.changed(best.values), bench.path)
    loaded = Loaded(noun=noun, sources=(), warnings=())
    traced = trace_loaded(loaded, bench.path, ways_of(noun, TOLERANCE, "point", None))
    return [f"the best design: {line}" for line in traced.warnings]


def _climb(bench: Bench, count: int, trials: Sequence[Trial]) -> None:
    """Go on from the best design of the first ones with scipy's bounded optimisers: one cell either way of a grid, a part
    of the whole box where designs were sampled."""
    import numpy as np
    from scipy.optimize import minimize, minimize_scalar

    top = max(trials, key=lambda trial: trial.annual_kwh)
    low, high = (np.array([getattr(one, end) for one in bench.ranges]) for end in ("low", "high"))
    if len(bench.ranges) <= 2:
        cell = (high - low) / (count - 1)
        low, high = np.maximum(low, top.values - cell), np.minimum(high, top.values + cell)
    scale = max(top.annual_kwh, 1e-12)
    if len(bench.ranges) == 1:
        minimize_scalar(
            lambda value: -bench.trial([value]).annual_kwh / scale,
            bounds=(float(low[0]), float(high[0])),
            method="bounded",
            options={"maxiter": FINAL_EVALUATIONS, "xatol": 2e-3 * float(high[0] - low[0])},
        )
        return
    start = (np.array(top.values) - low) / (high - low)
    corners = np.tile(start, (len(start) + 1, 1))
    for place in range(len(start)):
        corners[place + 1, place] += 0.25 if start[place] < 0.6 else -0.25
    minimize(
        lambda unit: -bench.trial(low + np.clip(unit, 0.0, 1.0) * (high - low)).annual_kwh / scale,
        start,
        method="Nelder-Mead",
        bounds=[(0.0, 1.0)] * len(start),
        options={
            "initial_simplex": corners,
            "maxfev": FINAL_EVALUATIONS * len(start) // 2,
            "xatol": 5e-3,
            "fatol": 1e-4,
        },
    )


def at_end(one: Range, value: float) -> bool:
    """Whether a best value lies so near an end of its range, a hundredth of it, that the best may lie beyond."""
    return min(value - one.low, one.high - value) <= 0.01 * (one.high - one.low)


def _summary(
    run: TuneRun, ready: Any, name: str, notes: Notes, sources: tuple[Source, ...], mounts: tuple[Mount, ...]
) -> TuneResult:
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
        "days": (ready.grid.edge_tdb_s[-1] - ready.grid.edge_tdb_s[0]) / 86400.0,
        "period": ready.period.words(),
        "varied": [
            {
                "key": one.name,
                "low": one.low,
                "high": one.high,
                "linked": [{"key": ".".join(path), "factor": factor} for path, factor in one.linked],
            }
            for one in run.ranges
        ],
        "best": trial_row(run.best, run.ranges),
        "present": None if run.present is None else trial_row(run.present, run.ranges),
        "confidence": run.sure.row(run.ranges),
        "facing": "the collector's mounts" if mounts else "each design's best",
        "designs_tried": len(run.trials) + len(run.steps),
        "tolerance": TOLERANCE,
        "warnings": list(notes.lines),
        "provenance": provenance(
            [*sources, *ready.inputs, *ready.kernels],
            {"vary": [f"{one.label}={one.low:g}:{one.high:g}" for one in run.ranges]},
        ),
    }
