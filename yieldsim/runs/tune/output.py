"""A finished tuning as files: table, summary, figure and the tuned prescription, written together."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.report.layout.facing_words import facing_words
from yieldsim.report.layout.period_text import per_of, period_line
from yieldsim.report.layout.style import number
from yieldsim.report.tune import TuneFigure, tune_pages
from yieldsim.runs.tune.evaluator import Trial, trial_row
from yieldsim.runs.tune.run import TuneRun, at_end


def write_tune(run: TuneRun, folder: str | Path) -> list[str]:
    """Write tune.csv, tune.json, tune.png, tune.pdf and best.optics.toml into a folder: all or none.

    Returns the names written. Raises WriteFailed.
    """
    from yieldsim.files.output.atomic_write import write_text_whole
    from yieldsim.files.output.dataset import staged_folder, write_image, write_json, write_table

    page, picture = tune_pages(figure_of(run))
    with staged_folder(folder) as stage:
        write_table(trials_frame(run), stage / "tune.csv")
        write_json(run.summary, stage / "tune.json")
        write_image(picture, stage / "tune.png")
        write_image(page, stage / "tune.pdf")
        if run.tuned_text is not None:
            write_text_whole(stage / "best.optics.toml", run.tuned_text)
        return sorted(file.name for file in stage.iterdir())


def trials_frame(run: TuneRun) -> Any:
    """Every design tried: the even grid first, then the optimiser's."""
    import pandas as pd

    rows = []
    for how, trials in (("grid", run.trials), ("optimiser", run.steps)):
        rows += [{"tried_by": how, **trial_row(trial, run.ranges)} for trial in trials]
    return pd.DataFrame(rows)


def figure_of(run: TuneRun) -> TuneFigure:
    """Everything the figure shows."""
    many = len(run.ranges) > 2
    axes = (
        []
        if many
        else [np.unique([trial.values[place] for trial in run.trials]) for place in range(len(run.ranges))]
    )
    shape = tuple(len(axis) for axis in axes)

    def over_grid(name: str) -> FloatArray:
        values = [math.nan if trial.reason else float(getattr(trial, name)) for trial in run.trials]
        if many:
            return np.empty(0)
        # whole numbers can make neighbours of the grid fall together: the last one counts
        grid = np.full(shape, math.nan)
        for trial, value in zip(run.trials, values, strict=True):
            grid[tuple(int(np.searchsorted(axis, v)) for axis, v in zip(axes, trial.values, strict=True))] = (
                value
            )
        return grid

    good = [trial for trial in (*(run.trials if many else ()), *run.steps) if not trial.reason]
    present = run.present if run.present is not None and not run.present.reason else None
    return TuneFigure(
        title=f"Tuning {run.summary['name']} for {run.summary['site']}",
        lines=_lines(run, present),
        keys=[one.label for one in run.ranges],
        axes=axes,
        annual_kwh=over_grid("annual_kwh"),
        half_width_deg=over_grid("half_width_deg"),
        normal_acceptance=over_grid("normal_acceptance"),
        tried=np.array([[*trial.values, trial.annual_kwh] for trial in good]).reshape(
            -1, len(run.ranges) + 1
        ),
        best=run.best.values,
        best_kwh=run.best.annual_kwh,
        present=present.values if present is not None else None,
        present_kwh=present.annual_kwh if present is not None else None,
        within=run.sure.nearly,
        per=_per(run),
        summary=run.summary,
    )


def _per(run: TuneRun) -> str:
    return per_of(run.summary)


def _lines(run: TuneRun, present: Trial | None) -> list[str]:
    best, sure = run.best, run.sure
    values = ", ".join(
        f"{one.label} {value:.4g}" + (" (end of its range)" if at_end(one, value) else "")
        for one, value in zip(run.ranges, best.values, strict=True)
    )
    gain = ""
    if present is not None and sure.gain_fraction is not None and sure.gain_error_fraction is not None:
        gain = f", {sure.gain_fraction:+.1%} ± {sure.gain_error_fraction:.1%} on the baseline".replace(
            "-", "−"
        )
    return [
        f"Best: {values}: {number(best.annual_kwh)} ± {number(sure.best_error_kwh, 1)} kWh {_per(run)} per unit{gain}",
        f"Facing {facing_words(best.tilt_deg, best.azimuth_deg)} ({run.summary['facing']}); {period_line(run.summary)}; "
        "± is the error of tracing",
    ]
