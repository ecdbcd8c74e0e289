"""Write a budget: JSON, series for other tools, draws, pages, all together or none."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.results.attached import result_of
from yieldsim.base.results.budget import BudgetResult
from yieldsim.files.inputs.load import column_word
from yieldsim.files.output.dataset import staged_folder, write_dataset, write_image, write_json, write_table
from yieldsim.files.output.parquet import can_write_parquet, write_parquet
from yieldsim.planning.habitat.dataset import budget_frame

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr


def budget_of(series: xr.Dataset) -> BudgetResult:
    """The budget's JSON."""
    return result_of(series, BudgetResult)


def write_budget(series: xr.Dataset, folder: Path | str, *, report: bool = True) -> list[str]:
    """Write all results of a budget into a folder; the names written. Raises WriteFailed, and then nothing has changed.

    budget.parquet needs pyarrow (the extra `tables`) and is left out without it.
    """
    summary = budget_of(series)
    frame = budget_frame(series, [column_word(load["name"]) for load in summary["loads"]])
    with staged_folder(folder) as stage:
        write_json(summary, stage / "budget.json")
        write_dataset(series, stage / "budget.nc")
        write_table(frame, stage / "budget.csv")
        if can_write_parquet():
            write_parquet([frame], summary["columns"], stage / "budget.parquet")
        if "draw" in series.dims:
            write_table(_draws_frame(series), stage / "draws.csv")
        if report:
            from yieldsim.report.budget.pages import budget_pdf

            write_image(budget_pdf(series), stage / "budget.pdf")
        return sorted(file.name for file in stage.iterdir())


def _draws_frame(series: xr.Dataset) -> pd.DataFrame:
    """One row a draw: the numbers drawn, then what came of them."""
    import pandas as pd

    drawn = series["drawn_input"].values
    columns = {str(name): drawn[:, place] for place, name in enumerate(series["uncertain"].values)}
    outcomes = [name for name in series.data_vars if series[name].dims == ("draw",)]
    return pd.DataFrame(
        columns | {str(name).removeprefix("drawn_"): series[name].values for name in outcomes}
    )
