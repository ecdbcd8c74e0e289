"""Fixed units against units that follow the Sun, as a summary tells it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np

from yieldsim.base.results.estimate import FollowerResult, FollowingResult
from yieldsim.energy.gaps import gaps, is_cut
from yieldsim.energy.spectral_transmittance import energy_acceptance
from yieldsim.optics.acceptance_interpolator import light
from yieldsim.optics.acceptance_lookup import lookup
from yieldsim.planning import tracking
from yieldsim.planning.tracking import Follower
from yieldsim.planning.unit_sets.units_matching_tracker import units_for_gaps

if TYPE_CHECKING:
    from yieldsim.energy.integration import Integrated
    from yieldsim.runs.setup.prepare import Prepared


def follower_rows(
    found: list[Follower], energy_key: str, fixed_kwh: float, units_for_gap: list[int | None]
) -> list[dict[str, Any]]:
    """A row a follower; `fixed_kwh` is a fixed unit's energy, units_for_gap (followers,) fixed units for the same gap."""
    return [
        {
            "axes": one.axes,
            energy_key: one.kwh,
            "longest_gap_hours": one.longest_gap_hours,
            "longest_gap_at_least": one.longest_gap_is_cut,
            "tilt_deg": one.tilt_deg,
            "fixed_units_for_same_energy": tracking.units_for_energy(one.kwh, fixed_kwh),
            "fixed_units_for_same_gap": units,
        }
        for one, units in zip(found, units_for_gap, strict=True)
    ]


def estimate_following(
    ready: Prepared, result: Integrated, downtime_fraction: float, stop_hours: float
) -> FollowingResult:
    """One following unit of the same aperture and losses against the units of an estimate as they are mounted."""
    setting, series = ready.setting, result.series
    collector = setting.collector
    radius_deg = np.array([float(series["sun_angular_radius_deg"].mean(skipna=False))])
    optics = lookup(energy_acceptance(collector), radius_deg)
    # of one unit, before acceptance: what the optics pass on their normal is divided out, where it is anything
    normal = light(optics, 0, 0.0, 0.0, 1.0)
    track = result.sunlit.bare(1.0 / (collector.unit_count * normal) if normal > 0.0 else 0.0)
    found = tracking.followers(
        track,
        optics,
        setting.track.vertical_latitude_deg,
        downtime_fraction=downtime_fraction,
        stop_hours=stop_hours,
    )
    dark = gaps(result.delivering, ready.grid.edge_utc[0], result.step_s)
    fixed_kwh = result.delivered_kwh / collector.unit_count
    units = units_for_gaps(track, optics, collector.mounts, [one.longest_gap_hours for one in found])
    rows = follower_rows(found, "kwh_per_unit", fixed_kwh, units)
    return {
        "fixed_kwh_per_unit": fixed_kwh,
        "fixed_longest_gap_hours": dark[0].hours if dark else 0.0,
        "fixed_longest_gap_at_least": bool(dark) and is_cut(dark[0], ready.grid.edge_utc),
        "tracker_downtime_fraction": downtime_fraction,
        "tracker_stop_hours": stop_hours,
        "same_gap_factor": tracking.SAME_GAP,
        "best_single_axis": rows[1]["axes"],
        "followers": cast(list[FollowerResult], rows),
    }
