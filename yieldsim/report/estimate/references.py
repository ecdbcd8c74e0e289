"""Small figures beside the answer: delivered against its references, and what ages over the run."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from yieldsim.base.results.estimate import EstimateResult
from yieldsim.report.estimate.acceptance import mount_letter
from yieldsim.report.layout import style, time_axis

if TYPE_CHECKING:
    from matplotlib.figure import Figure

NO_CHANGE = 1e-3
"""Ageing of less than this over the run is not worth a figure."""
MOST_STEPS = 400


def references(summary: EstimateResult) -> list[tuple[str, float]]:
    """Delivered energy and what it is measured against, smallest yardstick first, kWh."""
    found = [("Delivered", summary["delivered_kwh"])]
    if summary["etendue_limited_kwh"] is not None:
        found.append(("Etendue bound", summary["etendue_limited_kwh"]))
    found.append(("Following the Sun", summary["sun_following_kwh"]))
    return found


def draw_references(summary: EstimateResult, figure: Figure) -> None:
    """Bars of delivered energy and its references, each with its kWh and the share of it delivered."""
    axes = figure.add_subplot()
    rows = references(summary)
    most = max(kwh for _, kwh in rows)
    if most <= 0.0:
        style.say(axes)
        return
    for row, (words, kwh) in enumerate(rows):
        axes.barh(
            row, kwh, 0.42, color="white" if row else style.DELIVERED, edgecolor=style.INK if row else "none",
            hatch="" if row == 0 else "xxxx" if row == 1 and len(rows) == 3 else style.LOSS_HATCH,
            linewidth=0.6,
        )  # fmt: skip
        share = f"; {style.percent(rows[0][1] / kwh)} of it delivered" if row and kwh > 0.0 else ""
        axes.text(0.012 * most, row - 0.3, f"{words}: {style.quantity(kwh, 'kWh')}{share}", va="bottom",
                  weight="normal" if row else "bold")  # fmt: skip
    axes.set_ylim(len(rows) - 0.6, -0.75)
    axes.set_xlim(0.0, 1.02 * most)
    axes.set_yticks([])
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)


def ages(ds: xr.Dataset) -> bool:
    """Whether dust or darkening changes anything to speak of over the run."""
    return any(
        float(np.ptp(ds[name].values)) > NO_CHANGE for name in ("clean_fraction", "fibre_transmittance")
    )


def draw_ageing(ds: xr.Dataset, figure: Figure) -> None:
    """Light that dust lets through, by mount, and light that the fibre lets through, over the run."""
    axes = figure.add_subplot()
    middle = 0.5 * (time_axis.edge_hours(ds)[1:] + time_axis.edge_hours(ds)[:-1])
    every = max(1, middle.size // MOST_STEPS)
    clean = ds["clean_fraction"].values
    alike = bool(np.ptp(clean, axis=1).max() < NO_CHANGE)
    for mount in range(1 if alike else clean.shape[1]):
        look = style.line(mount)
        label = "dust on the aperture" + ("" if alike else f", mount {mount_letter(mount)}")
        axes.plot(
            middle[::every],
            100.0 * clean[::every, mount],
            color=look.colour,
            linestyle=look.dash,
            label=label,
        )
    axes.plot(
        middle[::every], 100.0 * ds["fibre_transmittance"].values[::every], color=style.INK,
        linestyle=(0, (1, 1.5)), linewidth=1.6, label="fibre",
    )  # fmt: skip
    axes.set_xlim(0.0, float(time_axis.edge_hours(ds)[-1]))
    lowest = 100.0 * min(float(clean.min()), float(ds["fibre_transmittance"].min()))
    axes.set_ylim(max(0.0, 10.0 * np.floor(lowest / 10.0 - 0.5)), 101.0)
    axes.set_ylabel("Transmittance (%)")
    axes.set_xticks(*time_axis.date_ticks(ds, 13))
    axes.grid(True, axis="y")
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, borderaxespad=0.0)
