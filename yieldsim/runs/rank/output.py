"""Write what `rank` found: JSON, table, NetCDF, figure; all together or none."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from yieldsim.base.results.rank import RankResult
from yieldsim.files.output.dataset import staged_folder, write_dataset, write_image, write_json, write_table
from yieldsim.runs.rank.run import summary_of

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

PLAIN = (
    "annual_kwh",
    "worst_month_kwh",
    "worst_month",
    "longest_gap_hours",
    "longest_gap_start_utc",
    "longest_night_hours",
    "hours_delivering_per_year",
    "mean_power_w",
    "units_for_power",
    "storage_for_longest_gap_kwh",
    "served_fraction",
    "smallest_storage_kwh",
    "smallest_units",
    "longest_outage_hours",
    "capture_fraction",
)


def write_rank(ds: xr.Dataset, folder: Path | str, *, figures: bool = True) -> list[str]:
    """Write all results into a folder; the names written. Raises WriteFailed, and then nothing has
    changed."""
    summary = summary_of(ds)
    with staged_folder(folder) as stage:
        write_json(summary, stage / "rank.json")
        write_table(rank_frame(summary), stage / "rank.csv")
        write_dataset(ds, stage / "rank.nc")
        if figures:
            from yieldsim.report.rank import rank_pages

            page, picture = rank_pages(summary)
            write_image(page, stage / "rank.pdf")
            write_image(picture, stage / "rank.png")
        return sorted(file.name for file in stage.iterdir())


def rank_frame(summary: RankResult) -> pd.DataFrame:
    """One row a site, in order: place, facing, totals, reasons, and what each stage keeps of the light that
    reaches it."""
    import pandas as pd

    rows = []
    for row in summary["sites"]:
        flat: dict[str, Any] = {"rank": row["rank"], "site": row["site"]["name"]}
        flat |= {name: row["site"][name] for name in ("body", "latitude_deg", "longitude_deg")}
        flat |= row["facing"] or {}
        flat["mounts"] = len(row["mounts"])
        flat |= {name: value for name, value in row.items() if name in PLAIN}
        flat |= row["reasons"]
        flat |= {
            f"{entry['stage'].replace(' ', '_')}_kept_fraction": entry["kept_fraction"]
            for entry in row["kept_by_stage"]
        }
        rows.append(flat)
    return pd.DataFrame(rows).dropna(axis="columns", how="all")
