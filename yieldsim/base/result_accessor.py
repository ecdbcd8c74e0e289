"""`ds.yieldsim`: the totals of a result as an object, whichever verb it came from."""

from __future__ import annotations

import json
from typing import Any

import xarray as xr

from yieldsim.base.errors import likely, refusal
from yieldsim.base.results.attached import told


@xr.register_dataset_accessor("yieldsim")  # type: ignore[no-untyped-call, unused-ignore]
class ResultAccessor:
    """Totals of a result by name: `ds.yieldsim.delivered_kwh`, `ds.yieldsim.ledger`; `summary` is all of them, as in the JSON file."""

    def __init__(self, ds: xr.Dataset) -> None:
        """Read what the result says of itself. Raises InputError for a Dataset of another origin."""
        try:
            summary = json.loads(ds.attrs["summary"])
        except (KeyError, TypeError, ValueError):
            summary = None
        if not isinstance(summary, dict):
            raise refusal("", found="this Dataset is not a result of yieldsim")
        self.summary: dict[str, Any] = summary
        self._refuse_part(ds)

    def _refuse_part(self, ds: xr.Dataset) -> None:
        """Raise InputError for some rows of a result: its totals are those of all of them."""
        interval_s, whole = ds.attrs.get("interval_s"), self.summary.get("days")
        if "time" not in ds.sizes or interval_s is None or whole is None:
            return
        days = ds.sizes["time"] * float(interval_s) / 86_400.0
        if abs(days - whole) > 1e-6 * whole:
            hint = "its totals are those of the whole run: ask for them before you choose rows, or sum the series"
            raise refusal(
                "",
                found=f"this Dataset has rows of {days:.4g} of the {whole:.4g} days of its result",
                hint=hint,
            )

    def __getattr__(self, name: str) -> Any:
        """A total by its key."""
        if not name.startswith("_") and name in self.summary:
            return self.summary[name]
        hint = likely(name, self.summary) if not name.startswith("_") else ""
        raise AttributeError(f"the result has no {name!r}" + (f"; {hint}" if hint else ""))

    def __dir__(self) -> list[str]:
        """The totals' names, for completion."""
        return sorted({*super().__dir__(), *self.summary})

    def __repr__(self) -> str:
        """Each plain total on a line of its own; what is nested by its kind."""
        return told(self.summary)
