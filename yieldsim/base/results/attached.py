"""The answer that a result carries, how it prints, and rows of it made from nouns and columns."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, TypeVar, cast

if TYPE_CHECKING:
    import xarray as xr

Result = TypeVar("Result")


def result_of(ds: xr.Dataset, model: type[Result]) -> Result:
    """The answer, as its command's model says it is; unchecked, since the program made it."""
    return cast(Result, json.loads(ds.attrs["summary"]))


def row_of(noun: object, model: type[Result]) -> Result:
    """A table of an answer whose keys are called as the noun's own."""
    return cast(Result, {key: getattr(noun, key) for key in model.__annotations__})


def rows_of(model: type[Result], **columns: Iterable[float]) -> list[Result]:
    """Rows of plain numbers from columns of one length, by the model's keys."""
    rows = zip(*columns.values(), strict=True)
    return [cast(Result, dict(zip(columns, map(float, row), strict=True))) for row in rows]


def told(summary: Mapping[str, Any]) -> str:
    """Each plain total on a line of its own; what is nested by its kind."""
    return "\n".join(
        f"{key:28s} {f'({type(value).__name__} of {len(value)})' if isinstance(value, dict | list) else value}"
        for key, value in summary.items()
    )


class Summarised:
    """A finished run that is no Dataset: its totals stand in `summary`, and in print."""

    __slots__ = ()

    def __repr__(self) -> str:
        """As that of `ds.yieldsim`, under the run's kind."""
        return f"<{type(self).__name__}>\n{told(self.summary)}"  # type: ignore[attr-defined]
