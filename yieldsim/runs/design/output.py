"""Write a design: JSON, table, hours, certificate, the files of the design itself, pages; all together or none."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from yieldsim.base.results.design import DesignResult
    from yieldsim.runs.design.types import DesignRun


def write_design(run: DesignRun, folder: Path | str, *, report: bool = True) -> list[str]:
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
        write_json(run.summary, stage / "design.json")
        write_table(combinations_frame(run.summary), stage / "combinations.csv")
        write_dataset(run.series, stage / "design.nc")
        for name, arrays in {"certificate.npz": run.certificate, **run.joined_certificates}.items():
            write_image(certificate_bytes(arrays), stage / name)
        if run.joined is not None:
            write_dataset(run.joined, stage / "joined.nc")
        for name, text in run.files.items():
            write_image(text.encode("utf-8"), stage / name)
        if report:
            from yieldsim.report.design import design_pages

            page, picture = design_pages(run.summary, run.series)
            write_image(page, stage / "design.pdf")
            write_image(picture, stage / "design.png")
        return sorted(file.name for file in stage.iterdir())


def combinations_frame(summary: DesignResult) -> pd.DataFrame:
    """One row a combination."""
    import pandas as pd

    return pd.DataFrame(summary["combinations"])
