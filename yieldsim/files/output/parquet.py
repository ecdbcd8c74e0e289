"""Tables as Parquet, for the tools that read columns: units and meanings travel in each field's metadata."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

TIME = "time_utc"


def can_write_parquet() -> bool:
    """Whether pyarrow, the extra `tables`, is installed."""
    return find_spec("pyarrow") is not None


def write_parquet(frames: Iterable[pd.DataFrame], notes: Sequence[Mapping[str, Any]], path: Path) -> None:
    """A table in parts, one after the other, with its notes (column, unit, meaning). Same table, same bytes.

    `time_utc` becomes a timestamp in UTC.
    """
    import pandas as pd
    import pyarrow as pa
    import pyarrow.parquet as pq

    known = {note["column"]: {"unit": note["unit"], "meaning": note["meaning"]} for note in notes}
    with contextlib.ExitStack() as closing:
        writer = None
        for frame in frames:
            if TIME in frame:
                frame = frame.assign(
                    **{TIME: pd.to_datetime(frame[TIME], utc=True).astype("datetime64[ms, UTC]")}
                )
            table = pa.Table.from_pandas(frame, preserve_index=False)
            fields = [field.with_metadata(known.get(field.name, {})) for field in table.schema]
            schema = pa.schema(fields)
            if writer is None:
                writer = closing.enter_context(pq.ParquetWriter(path, schema, compression="zstd"))
            writer.write_table(pa.table(table.columns, schema=schema))
