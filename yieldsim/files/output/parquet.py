"""Tables as Parquet, for the tools that read columns: units and meanings travel in each field's metadata."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

TIME = "time_utc"


def can_write_parquet() -> bool:
    """Whether pyarrow, the extra `tables`, is installed."""
    return find_spec("pyarrow") is not None


def write_parquet(frame: pd.DataFrame, notes: Sequence[Mapping[str, Any]], path: Path) -> None:
    """A table with its notes (column, unit, meaning); `time_utc` becomes a timestamp in UTC. Same table, same bytes."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.parquet as pq

    if TIME in frame:
        frame = frame.assign(**{TIME: pd.to_datetime(frame[TIME], utc=True).astype("datetime64[ms, UTC]")})
    table = pa.Table.from_pandas(frame, preserve_index=False)
    known = {note["column"]: {"unit": note["unit"], "meaning": note["meaning"]} for note in notes}
    fields = [field.with_metadata(known.get(field.name, {})) for field in table.schema]
    pq.write_table(pa.table(table.columns, schema=pa.schema(fields)), path, compression="zstd")
