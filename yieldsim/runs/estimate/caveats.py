"""Warnings of what a run comes to: mounts that stand idle, next to no yield, shields that draw more than arrives, a hot fibre end."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from yieldsim.base.constants import FACE_FLUX_LIMIT_W_CM2
from yieldsim.base.model import Collector
from yieldsim.energy import ledger
from yieldsim.report.layout.number_format import plain

if TYPE_CHECKING:
    import xarray as xr

NEXT_TO_NOTHING = 0.01
"""Share of what following the Sun would give below which the facing, not the site, is to blame."""
TURN = "yieldsim orient tells which way to face"


def caveats(series: xr.Dataset, collector: Collector) -> list[str]:
    """All of them, the gravest first.

    series   the run's series: delivered_power_w, mount_delivered_power_w, sun_following_power_w, shield_power_w, stage_power_w
    """
    return [
        *idle_lines(series, collector),
        *_little(series),
        *_shields(series),
        *_fibre_face(series, collector),
    ]


def idle_lines(series: xr.Dataset, collector: Collector) -> list[str]:
    """What to tell of mounts that deliver nothing through the whole run, and why as far as the Sun's angle tells."""
    lit = series["disc_visible_fraction"].values > 0.0
    if not lit.any():
        return ["the Sun never clears the skyline in this span, so nothing is delivered"]
    idle = np.flatnonzero(~series["mount_delivered_power_w"].values.any(axis=0)).tolist()
    if not idle:
        return []
    if not series["sun_following_power_w"].values.any():
        return [
            "nothing is delivered, nor would it be by mounts that follow the Sun: air, dust, optics or fibre let nothing through; the "
            "ledger tells where the light ends"
        ]
    nearest = series["incidence_deg"].values[lit].min(axis=0)[idle]
    low, high = (f"{value:.1f}" for value in (nearest.min(), nearest.max()))
    apart, count = low if low == high else f"{low} to {high}", len(collector.mounts)
    if len(idle) == 1:
        mount = collector.mounts[idle[0]]
        of = f", 1 of {count}," if count > 1 else ""
        who = f"the mount at tilt {mount.tilt_deg:g}, azimuth {mount.azimuth_deg:g} deg{of} delivers nothing"
        its = "its normal, outside its"
    else:
        poses = ", ".join(
            f"{collector.mounts[k].tilt_deg:g}/{collector.mounts[k].azimuth_deg:g}" for k in idle
        )
        who = f"{len(idle)} of {count} mounts deliver nothing (tilt/azimuth {poses} deg)"
        its = "their normals, outside their"
    return [f"{who}: the Sun comes no nearer than {apart} deg to {its} acceptance; {TURN}"]


def _little(series: xr.Dataset) -> list[str]:
    delivered, followed = (
        ledger.total_kwh(series, name) for name in ("delivered_power_w", "sun_following_power_w")
    )
    if not 0.0 < delivered < NEXT_TO_NOTHING * followed:
        return []
    return [
        f"next to nothing is delivered, {delivered / followed:.2g} of what the same aperture following the Sun would give: {TURN}"
    ]


def _shields(series: xr.Dataset) -> list[str]:
    drawn, delivered = (ledger.total_kwh(series, name) for name in ("shield_power_w", "delivered_power_w"))
    if drawn <= delivered or drawn <= 0.0:
        return []
    return [
        f"the dust shields draw {plain(drawn, 3)} kWh of electricity, more than the {plain(delivered, 3)} kWh of light "
        "delivered: a longer cycle_hours, or none, may serve better (yieldsim budget tells)"
    ]


def fibre_face_w_cm2(series: xr.Dataset, collector: Collector) -> float | None:
    """Highest flux on a unit's fibre face, W/cm2, a mean over the face and a row; None where the face has no stated width.

    The light of a unit at the fibre's entrance is that at its far end over what the fibre leaves.
    """
    if collector.fibre is None or collector.fibre.face_diameter_mm is None:
        return None
    stages = [str(stage) for stage in series["stage"].values]
    entering = series["stage_power_w"].values[:, stages.index("acceptance")]
    leaving = series["delivered_power_w"].values
    each_w = series["mount_delivered_power_w"].values / [mount.count for mount in collector.mounts]
    face_cm2 = 0.25 * math.pi * (0.1 * collector.fibre.face_diameter_mm) ** 2
    if "mount_fibre_transmittance" in series:
        return float((each_w / series["mount_fibre_transmittance"].values).max() / face_cm2)
    ratio = np.divide(entering, leaving, out=np.zeros_like(entering), where=leaving > 0.0)
    return float((each_w.max(axis=1) * ratio).max() / face_cm2)


def _fibre_face(series: xr.Dataset, collector: Collector) -> list[str]:
    flux, limit = fibre_face_w_cm2(series, collector), FACE_FLUX_LIMIT_W_CM2
    if flux is None or flux <= limit:
        return []
    return [
        f"the light on a fibre's face reaches {plain(flux, 3)} W/cm2, a mean over face and row, above the default limit of {limit:g}: "
        "yieldsim trace tells the peak and the heat"
    ]
