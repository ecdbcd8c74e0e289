"""Gaps that an end of the run cuts: carried on before and past it, by the same chain of losses, to their true length.

Delivering means what it means in the run: power above zero behind the last stage. Dust is left out, for it dims and
never blocks. The search takes the run's own steps, in stretches that grow, and gives up after a year of the body on either
side, or where the kernels end.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.clock import iso, tdb_seconds
from yieldsim.base.constants import SECONDS_PER_DAY, SECONDS_PER_HOUR
from yieldsim.base.errors import DataMissing
from yieldsim.base.results.parts import GapResult, WholeGapResult
from yieldsim.base.year.period import NEAR_DAYS
from yieldsim.energy.gaps import Gap

if TYPE_CHECKING:
    import xarray as xr

    from yieldsim.base.model import Collector
    from yieldsim.runs.setup.prepare import Prepared

FIRST_DAYS, GROWTH = 1.0, 4.0
"""Length of the first stretch looked at beyond an end, and by how much each is longer than the one before."""
STEPS_AT_ONCE = 4096
"""Of those with the Sun in front of a mount, so many are looked at before it is asked whether there was light."""

SkyBeyond = dict[tuple[np.datetime64, np.datetime64], "list[tuple[np.ndarray, xr.Dataset]]"]
"""Beam of the steps outside a run at which the Sun is in sight, by first and last step asked for: the places of such steps among
them, block by block. Whoever asks for several collectors at one site hands on the same one."""


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """How light is sought outside a run: in steps of step_s, until `design` delivers or, of_site, any of the Sun is in sight."""

    ready: Prepared
    step_s: float
    design: Collector
    of_site: bool
    beyond: SkyBeyond


def gap_rows(
    ready: Prepared,
    gaps: Sequence[Gap],
    step_s: float,
    collector: Collector | None = None,
    *,
    of_site: bool = False,
    beyond: SkyBeyond | None = None,
) -> list[GapResult]:
    """Gaps as JSON, those cut by an end of the run with their whole length.

    step_s      of the search, that of the run
    collector   whose delivery ends a gap, when not the run's own
    of_site     any part of the Sun in sight ends a gap, whatever the collector takes of it
    beyond      what was read outside the run before; gains what is read now

    whole_known is False where no light was met up to a year away or to the kernels' end, so that the gap is longer still.
    """
    design = collector or ready.setting.collector
    search = _Search(ready, step_s, design, of_site, {} if beyond is None else beyond)
    return [_row(search, gap) for gap in gaps]


def _row(search: _Search, gap: Gap) -> GapResult:
    ready = search.ready
    first, last = ready.grid.edge_utc[0], ready.grid.edge_utc[-1]
    start, end, known = gap.start_utc, gap.end_utc, True
    cut = (start <= first, end >= last)
    row: GapResult = {"start_utc": iso(start), "end_utc": iso(end), "hours": gap.hours, "at_least": any(cut)}
    if not any(cut):
        return row
    if all(cut) and ready.period.days >= ready.period.year_days - NEAR_DAYS:
        # a year without light: no search
        known = False
    else:
        if cut[0]:
            start, known = _light_beyond(search, first, -1)
        if cut[1]:
            end, met = _light_beyond(search, last, 1)
            known = known and met
    return {
        **row,
        "whole_start_utc": iso(start),
        "whole_end_utc": iso(end),
        "whole_hours": float((end - start) / np.timedelta64(1, "s")) / SECONDS_PER_HOUR,
        "whole_known": known,
    }


def longest_whole(rows: Sequence[GapResult]) -> WholeGapResult:
    """The longest gap when those that the run cuts count whole: keys longest_gap_at_least, longest_gap_whole_...

    longest_gap_at_least        whether an end of the run cuts the gap that is longest within it
    longest_gap_whole_hours     of the gap that is longest in all
    longest_gap_whole_known     False: that one is longer still
    """
    if not rows:
        return {
            "longest_gap_at_least": False,
            "longest_gap_whole_hours": 0.0,
            "longest_gap_whole_start_utc": None,
            "longest_gap_whole_end_utc": None,
            "longest_gap_whole_known": True,
        }
    longest = max(rows, key=lambda row: float(row.get("whole_hours", row["hours"])))
    return {
        "longest_gap_at_least": rows[0]["at_least"],
        "longest_gap_whole_hours": longest.get("whole_hours", longest["hours"]),
        "longest_gap_whole_start_utc": longest.get("whole_start_utc", longest["start_utc"]),
        "longest_gap_whole_end_utc": longest.get("whole_end_utc", longest["end_utc"]),
        "longest_gap_whole_known": longest.get("whole_known", True),
    }


def cut_gap_note(summary: Mapping[str, Any]) -> str | None:
    """What to tell where the longest gap in all is not the longest within the run, or is cut by its ends."""
    if (
        not summary["longest_gap_at_least"]
        and summary["longest_gap_whole_hours"] <= summary["longest_gap_hours"]
    ):
        return None
    within, whole = summary["longest_gap_hours"], summary["longest_gap_whole_hours"]
    if not summary["longest_gap_whole_known"]:
        return (
            f"the longest outage of light is cut by an end of the run: at least {_lasting(whole)}, and no light was found within a "
            "year of the body, or the kernels, beyond it"
        )
    dates = " to ".join(summary[f"longest_gap_whole_{end}_utc"][:16] for end in ("start", "end"))
    if summary["longest_gap_at_least"]:
        return (
            f"the longest outage of light within the run, {_lasting(within)}, is cut by its ends: in all {_lasting(whole)}, "
            f"{dates}"
        )
    return f"an outage of light cut by an end of the run lasts {_lasting(whole)} in all, {dates}: longer than any within it"


def _lasting(hours: float) -> str:
    return f"{hours:.1f} h" if hours < 48.0 else f"{hours / 24.0:.1f} days"


def _light_beyond(search: _Search, edge_utc: np.datetime64, way: int) -> tuple[np.datetime64, bool]:
    """The moment nearest to an end of the run, before (way -1) or past it (1), from which light is delivered; how far the
    search got and False where there is none."""
    step_s = search.step_s
    step_ns, most_s = round(step_s * 1e9), search.ready.setting.year_days * SECONDS_PER_DAY
    done, stretch = 0, max(round(FIRST_DAYS * SECONDS_PER_DAY / step_s), 1)
    most = max(round(most_s / step_s), 1)
    while done < most:
        count = min(stretch, most - done)
        # in order of distance from the edge
        middles = (np.arange(done, done + count) + 0.5) * step_ns
        utc = edge_utc.astype("datetime64[ns]") + way * np.rint(middles).astype("timedelta64[ns]")
        try:
            lit = _first_light(search, utc[::way], way)
        except DataMissing:
            break
        if lit is not None:
            nearest = lit if way > 0 else count - 1 - lit
            return _moved(edge_utc, way * (done + nearest) * step_ns), True
        done, stretch = done + count, round(stretch * GROWTH)
    return _moved(edge_utc, way * done * step_ns), False


def _moved(edge_utc: np.datetime64, by_ns: int) -> np.datetime64:
    moved: np.datetime64 = edge_utc.astype("datetime64[ns]") + np.timedelta64(by_ns, "ns")
    return moved


def _first_light(search: _Search, utc: np.ndarray, way: int) -> int | None:
    """The place of the first (way 1) or last (-1) of moments in order (n,), outside the run, at which light is delivered, or the
    Sun in sight from the site; None where there is none.

    Raises DataMissing beyond the kernels.
    """
    from yieldsim.base.numerics.vectors import direction_enu_xyz, mount_axes_enu_xyz
    from yieldsim.energy.chain import stage_powers_w
    from yieldsim.energy.integration import on_mounts

    ready, design = search.ready, search.design
    undusty = replace(ready.setting.site, dust=None)
    setting = replace(ready.setting, site=undusty, collector=design)
    normals = np.stack(
        [mount_axes_enu_xyz(one.tilt_deg, one.azimuth_deg, one.roll_deg)[2] for one in design.mounts]
    )
    key = (utc[0], utc[-1])
    if key not in search.beyond:
        search.beyond[key] = _in_sight(ready, utc)
    for places, beam in search.beyond[key][::way]:
        if search.of_site:
            if len(places):
                return int(places[::way][0])
            continue
        sun = direction_enu_xyz(beam["solar_azimuth_deg"].values, beam["solar_elevation_deg"].values)
        in_front = np.flatnonzero((sun @ normals.T > 0.0).any(axis=1))[::way]
        for first in range(0, len(in_front), STEPS_AT_ONCE):
            some = in_front[first : first + STEPS_AT_ONCE]
            block = on_mounts(beam.isel(time=some), setting, np.empty(0))
            lit = stage_powers_w(block, design)[0][:, -1] > 0.0
            if lit.any():
                return int(places[some[lit.argmax()]])
    return None


def _in_sight(ready: Prepared, utc: np.ndarray) -> list[tuple[np.ndarray, xr.Dataset]]:
    """The beam at those of some moments (n,) at which any of the Sun is in sight, and their places, block by block."""
    from yieldsim.energy.integration import BLOCK_STEPS, beam_block
    from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
    from yieldsim.sky.sun_track import prepare_track

    site, tdb_s = ready.setting.site, tdb_seconds(utc)
    begin, finish = float(tdb_s[0]) - 60.0, float(tdb_s[-1]) + 60.0
    track = prepare_track(
        open_ephemeris(site.body, begin, finish, extra=ready.kernel_files),
        site.body,
        site.latitude_deg,
        site.longitude_deg,
        site.elevation_m + site.mast_height_m,
        begin,
        finish,
    )
    setting = replace(ready.setting, track=track)
    blocks = []
    for first in range(0, len(utc), BLOCK_STEPS):
        part = slice(first, first + BLOCK_STEPS)
        beam = beam_block(setting, utc[part], tdb_s[part])
        seen = np.flatnonzero(beam["disc_visible_fraction"].values > 0.0)
        blocks.append((first + seen, beam.isel(time=seen)))
    return blocks
