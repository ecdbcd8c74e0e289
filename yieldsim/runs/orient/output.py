"""Write what `orient` found: JSON, the map, tables, the chosen units as a collector file, figures; all
together or none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.model import Collector, Mount, Notes
from yieldsim.base.results.orient import OrientResult

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

UNITS_STEM = "units.collector"


def write_orient(
    ds: xr.Dataset,
    folder: Path | str,
    collector: str | Path | Collector | None = None,
    *,
    figures: bool = True,
) -> list[str]:
    """Write all results into a folder; the names written. Raises WriteFailed, and then nothing has changed.

    collector   the one that was asked about: chosen units are written as a collector file of it that `estimate` takes
    """
    from yieldsim.files.output.dataset import (
        staged_folder,
        write_dataset,
        write_image,
        write_json,
        write_table,
    )
    from yieldsim.runs.orient.run import summary_of

    summary = summary_of(ds)
    with staged_folder(folder) as stage:
        write_json(summary, stage / "orient.json")
        write_dataset(ds, stage / "facing.nc")
        write_table(facings_frame(summary), stage / "facings.csv")
        if summary["units"] is not None:
            write_table(units_frame(summary), stage / "units.csv")
            if collector is not None:
                write_units_collector(summary, _resolved(collector), stage)
        if figures:
            from yieldsim.report.orient.page import facing_pages
            from yieldsim.report.orient.units import units_pages

            drawn = {"facing": facing_pages(ds)}
            if summary["units"] is not None:
                drawn["units"] = units_pages(summary)
            for name, (page, picture) in drawn.items():
                write_image(page, stage / f"{name}.pdf")
                write_image(picture, stage / f"{name}.png")
        return sorted(file.name for file in stage.iterdir())


def _resolved(collector: str | Path | Collector) -> Collector:
    """The collector with its acceptance as a table, read and traced where it has not been."""
    from yieldsim.files.inputs.readers import read_collector
    from yieldsim.runs.setup.prepare import resolve_collector

    noun = collector if isinstance(collector, Collector) else read_collector(Path(collector)).noun
    return resolve_collector(noun, Notes())[0]


def write_units_collector(summary: OrientResult, collector: Collector, stage: Path) -> None:
    """The collector with the chosen mounts, and proof that reading it gives the same collector."""
    from yieldsim.files.inputs.collector_writer import collector_files
    from yieldsim.files.inputs.readers import read_collector
    from yieldsim.files.output.atomic_write import write_text_whole

    units = summary["units"]
    assert units is not None
    mounts = tuple(
        Mount(tilt_deg=m["tilt_deg"], azimuth_deg=m["azimuth_deg"], roll_deg=m["roll_deg"], count=m["count"])
        for m in units["set"]
    )
    chosen = replace(collector, mounts=mounts)
    comment = (
        f"{units['count']} units at {summary['site']['name']}, chosen by yieldsim orient for: {units['words']}\n"
        f"reached {units['value']:.6g} {units['value_unit']}; no set can be better than {units['upper_bound']:.6g} "
        f"({units['bound_holds_for']})"
    )
    for name, text in collector_files(chosen, UNITS_STEM, comment).items():
        write_text_whole(stage / name, text)
    again = read_collector(stage / f"{UNITS_STEM}.toml").noun
    if (again.mounts, again.shield, again.mass_kg) != (mounts, collector.shield, collector.mass_kg):
        raise RuntimeError("the collector file written does not read back as the collector chosen")


FACING_COLUMNS = (
    "tilt_deg",
    "azimuth_deg",
    "roll_deg",
    "annual_kwh",
    "annual_kwh_per_unit",
    "share_of_best_fraction",
    "worst_month_kwh",
    "worst_month",
    "longest_gap_hours",
    "longest_gap_start_utc",
    "longest_gap_at_least",
    "longest_gap_whole_hours",
    "hours_delivering",
    "used_kwh",
)


def facings_frame(summary: OrientResult) -> pd.DataFrame:
    """One row a facing: the best ones by their goals, the collector's own, those that were asked about."""
    import pandas as pd

    rows = [{"facing": f"best: {row['goal']}", **row} for row in summary["best"]]
    rows += [{"facing": row["label"], **row} for row in summary["compare"]]
    columns = ["facing", *(name for name in FACING_COLUMNS if name in rows[0])]
    return pd.DataFrame(rows)[columns]


def units_frame(summary: OrientResult) -> pd.DataFrame:
    """One row a number of units."""
    import pandas as pd

    units = summary["units"]
    assert units is not None
    frame = pd.DataFrame(units["curve"])
    return frame.dropna(axis="columns", how="all")
