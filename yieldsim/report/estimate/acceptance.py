"""What the optics accept: by angle, over the sky, and how long the Sun stands at each angle to the mounts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from yieldsim.base.numerics.interpolation import falls_to_deg, linear
from yieldsim.base.numerics.vectors import FloatArray, mount_axes_enu_xyz
from yieldsim.report.layout import style, time_axis

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LEVELS = (0.1, 0.5)
"""Levels of note, as shares of the peak acceptance."""


def mount_letter(index: int) -> str:
    """A, B, ... Z, AA, AB, ...

    >>> mount_letter(0), mount_letter(26)
    ('A', 'AA')
    """
    return (mount_letter(index // 26 - 1) if index >= 26 else "") + chr(ord("A") + index % 26)


def relative_acceptance(ds: xr.Dataset, mount: int, directions_enu_xyz: FloatArray) -> FloatArray:
    """Acceptance of one mount over its peak, for directions (..., 3) of the sky; 0 outside the table."""
    pose = (float(ds[f"mount_{word}_deg"][mount]) for word in ("tilt", "azimuth", "roll"))
    transverse_axis, longitudinal_axis, normal = mount_axes_enu_xyz(*pose)
    along = directions_enu_xyz @ normal
    across = directions_enu_xyz @ transverse_axis
    up = directions_enu_xyz @ longitudinal_axis
    if "acceptance_grid_fraction" in ds:
        from scipy.interpolate import RegularGridInterpolator

        rows, columns = (ds[f"acceptance_{word}_deg"].values for word in ("transverse", "longitudinal"))
        table = ds["acceptance_grid_fraction"].values
        at = np.stack([_folded_deg(across, along, rows), _folded_deg(up, along, columns)], axis=-1)
        share = RegularGridInterpolator((rows, columns), table, bounds_error=False, fill_value=0.0)(at)
    else:
        incidence = np.degrees(np.arctan2(np.hypot(across, up), along))
        table = ds["acceptance_curve_fraction"].values
        share = linear(incidence, ds["acceptance_incidence_deg"].values, table, outside="zero")
    peak = float(table.max())
    return np.asarray(share / peak if peak > 0.0 else share)


def _folded_deg(side: FloatArray, along: FloatArray, table_deg: FloatArray) -> FloatArray:
    """Projected angle; a table that starts at 0 holds for both sides."""
    angle = np.degrees(np.arctan2(side, along))
    return np.abs(angle) if table_deg[0] >= 0.0 else angle


def cuts(ds: xr.Dataset) -> list[tuple[str, FloatArray, FloatArray]]:
    """Curves through the table's peak: the angle's name, angles, acceptance."""
    if "acceptance_grid_fraction" not in ds:
        curve = ds["acceptance_curve_fraction"].values
        return [("incidence", ds["acceptance_incidence_deg"].values, curve)]
    table = ds["acceptance_grid_fraction"].values
    row, column = np.unravel_index(int(table.argmax()), table.shape)
    return [
        ("transverse", ds["acceptance_transverse_deg"].values, table[:, column]),
        ("longitudinal", ds["acceptance_longitudinal_deg"].values, table[row]),
    ]


def half_width_deg(ds: xr.Dataset, level: float = 0.5) -> tuple[float, ...]:
    """Angles at which acceptance falls to `level` of the peak: one for round optics, two for linear ones.

    `optics.acceptance.half_widths_deg` says how; the last angle of the table where it never falls so far.
    """
    if "acceptance_grid_fraction" not in ds:
        found = [(ds["acceptance_incidence_deg"].values, ds["acceptance_curve_fraction"].values)]
    else:
        table = ds["acceptance_grid_fraction"].values
        across, along = ds["acceptance_transverse_deg"].values, ds["acceptance_longitudinal_deg"].values
        at_t, at_l = int(np.abs(across).argmin()), int(np.abs(along).argmin())
        found = [(across[at_t:], table[at_t:, at_l]), (along[at_l:], table[at_t, at_l:])]
    widths = [(falls_to_deg(angle, curve, level), float(angle[-1])) for angle, curve in found]
    return tuple(end if np.isnan(width) else width for width, end in widths)


# ---------------------------------------------------------------- figures


def draw_acceptance(ds: xr.Dataset, figure: Figure) -> None:
    """Acceptance against angle: one curve for round optics, the two cuts through the peak for linear ones."""
    axes = figure.add_subplot()
    found = cuts(ds)
    for index, (word, angle, curve) in enumerate(found):
        look = style.line(index)
        axes.plot(angle, 100.0 * curve, color=look.colour, linestyle=look.dash, label=word)
    peak = 100.0 * max(float(curve.max()) for _, _, curve in found)
    # under the peak, where no curve crosses the words
    at_peak = float(found[0][1][int(found[0][2].argmax())])
    starts = at_peak - min(angle[0] for _, angle, _ in found) < 1.0
    for level, word in zip(LEVELS, ("a tenth of the peak", "half of the peak"), strict=True):
        axes.axhline(level * peak, color=style.MUTED, linewidth=0.6, linestyle=(0, (2, 2)), zorder=0)
        axes.annotate(
            word, (at_peak, level * peak), (3 if starts else 0, 2), ha="left" if starts else "center",
            textcoords="offset points", fontsize=style.SMALL_PT, color=style.MUTED,
        )  # fmt: skip
    axes.set_xlim(min(angle[0] for _, angle, _ in found), max(angle[-1] for _, angle, _ in found))
    axes.set_ylim(0.0, 1.1 * peak or 1.0)
    axes.set_xlabel("Incidence angle (°)" if len(found) == 1 else "Projected incidence angle (°)")
    axes.set_ylabel("Acceptance (%)")
    if len(found) > 1:
        axes.legend(loc="upper right")


def draw_incidence(ds: xr.Dataset, figure: Figure) -> None:
    """Hours of sunlight at the site by the Sun's angle to each mount, or to the nearest of many; what lies beyond half of
    the peak acceptance of round optics is shaded."""
    axes = figure.add_subplot()
    if not ds["disc_visible_fraction"].values.any():
        style.say(axes, "No sunlight reaches the site in this span.")
        return
    lit_h = time_axis.row_hours(ds) * ds["disc_visible_fraction"].values
    edges = np.arange(0.0, 181.0, 5.0)
    incidence = ds["incidence_deg"].values
    many = incidence.shape[1] > len(style.LINES)
    angles = [incidence.min(axis=1)] if many else list(incidence.T)
    furthest = 0.0
    for mount, angle in enumerate(angles):
        look = style.line(mount)
        hours = np.histogram(angle, edges, weights=lit_h)[0]
        label = "nearest mount" if many else f"mount {mount_letter(mount)}"
        axes.stairs(
            hours, edges, baseline=None, color=look.colour, linestyle=look.dash, linewidth=1.2, label=label
        )
        furthest = max(furthest, float(edges[1:][hours > 0.0].max()))
    widths = half_width_deg(ds)
    if len(widths) == 1:
        label = "acceptance under half"
        axes.axvspan(widths[0], 180.0, color=style.SHADE, linewidth=0.0, zorder=0, label=label)
    last = min(180.0, 30.0 * np.ceil(furthest / 30.0))
    axes.set_xlim(0.0, last)
    axes.set_xticks(np.arange(0.0, last + 1.0, 30.0 if last > 90.0 else 15.0 if last > 30.0 else 5.0))
    axes.set_ylim(bottom=0.0)
    axes.set_xlabel("Incidence angle (°)")
    axes.set_ylabel("Hours of sunlight per 5°")
    axes.grid(True, axis="y")
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, borderaxespad=0.0, columnspacing=1.0)
