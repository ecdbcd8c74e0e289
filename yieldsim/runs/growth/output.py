"""Write a growth: JSON, tables, certificate, the files of every phase, pages; all together or none."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from yieldsim.base.results.growth import GrowthResult
    from yieldsim.runs.growth.types import GrowthRun


def write_growth(run: GrowthRun, folder: Path | str, *, report: bool = True) -> list[str]:
    """Write all results into a folder; the names written. Raises WriteFailed, and then nothing has changed."""
    from yieldsim.files.output.certificate import certificate_bytes
    from yieldsim.files.output.dataset import (
        staged_folder,
        write_dataset,
        write_image,
        write_json,
        write_table,
    )

    with staged_folder(folder) as stage:
        write_json(run.summary, stage / "growth.json")
        write_table(flights_frame(run.summary), stage / "flights.csv")
        for name, estimate in run.estimates.items():
            write_dataset(estimate, stage / name)
        write_image(certificate_bytes(run.certificate), stage / "certificate.npz")
        for name, text in run.files.items():
            write_image(text.encode("utf-8"), stage / name)
        if report:
            from yieldsim.report.growth import growth_pages

            page, picture = growth_pages(run.summary, list(run.budgets))
            write_image(page, stage / "growth.pdf")
            write_image(picture, stage / "growth.png")
        return sorted(file.name for file in stage.iterdir())


def flights_frame(summary: GrowthResult) -> pd.DataFrame:
    """One row for each orientation that a flight lands units for, and one for its storage."""
    import pandas as pd

    rows = []
    for number, flight in enumerate(summary["flights"], start=1):
        own = {"flight": number, "phase": flight["phase"], "date_utc": flight["date_utc"]}
        rows += [own | {"what": "units"} | dict(mount) for mount in flight["mounts"]]
        rows.append(own | {"what": "storage", "storage_kwh": flight["storage_kwh"]})
        rows.append(own | {"what": "in all", "mass_kg": flight["mass_kg"]})
    columns = ["flight", "phase", "date_utc", "what", "tilt_deg", "azimuth_deg", "roll_deg", "count"]
    return pd.DataFrame(rows, columns=[*columns, "storage_kwh", "mass_kg"])
