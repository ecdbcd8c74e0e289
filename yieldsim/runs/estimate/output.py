"""Write an estimate: NetCDF, tables, JSON and the report, all together or none."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.results.attached import result_of
from yieldsim.base.results.estimate import EstimateResult

if TYPE_CHECKING:
    import xarray as xr


def summary_of(ds: xr.Dataset) -> EstimateResult:
    """The run's totals."""
    return result_of(ds, EstimateResult)


def write_estimate(
    ds: xr.Dataset, folder: Path | str, *, report: bool = True, page: bool = False
) -> list[str]:
    """Write all results of an estimate into a folder; the names written. Raises WriteFailed, and then nothing has changed.

    page   with the live page, page.html

    hourly.parquet needs pyarrow (the extra `tables`) and is left out without it.
    """
    from yieldsim.energy.ledger import by_calendar, by_season, by_solar_day
    from yieldsim.files.output.csv_metadata import METADATA_NAME, csv_metadata
    from yieldsim.files.output.dataset import (
        hourly_frame,
        staged_folder,
        write_dataset,
        write_hourly,
        write_hourly_parquet,
        write_json,
        write_table,
    )
    from yieldsim.files.output.parquet import can_write_parquet

    with staged_folder(folder) as stage:
        with ThreadPoolExecutor(1) as beside:
            # numbers become text under Python's lock, NetCDF and Parquet are packed without it
            packed = [beside.submit(write_dataset, ds, stage / "estimate.nc")]
            if can_write_parquet():
                packed.append(beside.submit(write_hourly_parquet, ds, stage / "hourly.parquet"))
            write_hourly(ds, stage / "hourly.csv")
        for one in packed:
            one.result()
        columns = {"hourly.csv": hourly_frame(ds.isel(time=slice(1))).columns}
        for name, sums in {
            "daily.csv": by_calendar(ds, "D"),
            "monthly.csv": by_calendar(ds, "M"),
            "yearly.csv": by_calendar(ds, "Y"),
            "solar_days.csv": by_solar_day(ds),
            **({"seasons.csv": by_season(ds)} if summary_of(ds)["seasonal_kwh"] else {}),
        }.items():
            write_table(sums, stage / name)
            columns[name] = sums.columns
        write_json(csv_metadata(columns, summary_of(ds)["provenance"]), stage / METADATA_NAME)
        write_json(summary_of(ds), stage / "summary.json")
        if report:
            _draw(ds, stage)
        if page:
            from yieldsim.runs.page.run import page as live_page

            live_page(ds).save(stage / "page.html")
        return sorted(file.name for file in stage.iterdir())


def write_report(ds: xr.Dataset, folder: Path | str) -> list[str]:
    """Write report.pdf and report.png of a saved estimate. Raises WriteFailed."""
    from yieldsim.files.output.dataset import staged_folder

    with staged_folder(folder) as stage:
        _draw(ds, stage)
        return sorted(file.name for file in stage.iterdir())


def _draw(ds: xr.Dataset, stage: Path) -> None:
    from yieldsim.files.output.dataset import with_provenance, write_image
    from yieldsim.report.estimate.pages import report_pages

    pages, picture = report_pages(ds)
    write_image(pages, stage / "report.pdf")
    write_image(with_provenance(picture, summary_of(ds)["provenance"]), stage / "report.png")
