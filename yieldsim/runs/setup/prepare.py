"""Everything a run needs before it can integrate: inputs read, tables resolved, kernels open, the Sun's track fitted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.errors import Gathered, refusal
from yieldsim.base.model import (
    Acceptance,
    Collector,
    HorizonMask,
    Notes,
    PrescriptionAcceptance,
    Site,
    Source,
    TerrainHorizon,
)
from yieldsim.base.thermal_model import Ground
from yieldsim.runs.horizon.unknown_ground import SunOver, UnknownGround, refuse_choice, sun_over

if TYPE_CHECKING:
    from yieldsim.base.year.period import Period
    from yieldsim.energy.integration import Setting, TimeGrid
    from yieldsim.files.toml.context import Loaded

MOST_MOUNT_ROWS = 10_000_000
"""A thousand mounts through a year of hours, or eleven through eight years of five minutes: over a gigabyte."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """Inputs read, tables resolved, kernels open: ready to integrate."""

    setting: Setting
    grid: TimeGrid
    inputs: tuple[Source, ...]
    kernels: tuple[Source, ...]
    notes: Notes
    period: Period
    kernel_files: tuple[Path, ...] = ()
    """Those named for the run."""
    span_notes: tuple[str, ...] = ()
    """What the run's span makes of its figures: the first of the notes."""
    clear_mask: HorizonMask | None = None
    """The skyline with holes of unknown ground as nothing, where the setting's takes them to block."""


def prepare(
    site: str | Path | Site | Loaded[Site],
    collector: str | Path | Collector | Loaded[Collector],
    start: object | None = None,
    end: object | None = None,
    *,
    years: float | None = None,
    span: str | None = None,
    interval_minutes: float = 60.0,
    kernels: str | Path | Sequence[str | Path] = (),
    unknown_ground: UnknownGround = "refuse",
    gathered: Gathered | None = None,
) -> Prepared:
    """Read and check everything, open kernels and prepare the Sun's track: what every run at one site starts with.

    years, span      how many years of which kind, where no end is given: `run_span` says
    unknown_ground   holes of terrain files between the site and the Sun: refuse them, or take them to block (bounds)
    gathered         what the run's other arguments were refused for: told together with the problems found here
    """

    from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
    from yieldsim.ground.horizon_dip import flat_dip_deg
    from yieldsim.ground.local_sphere import LocalSphere
    from yieldsim.runs.open_inputs import kernel_paths
    from yieldsim.runs.run_span import run_span, season_note
    from yieldsim.runs.time_span import refuse_wrong_span, time_grid
    from yieldsim.sky.sun_track import prepare_track

    notes = Notes()
    gathered = gathered or Gathered()
    with gathered:
        place, design, inputs = read_inputs(site, collector, notes)
        ground_of(place, design)
    with gathered:
        named = kernel_paths(kernels)
    with gathered:
        refuse_wrong_span(start, end, years, span, interval_minutes)
    with gathered:
        refuse_choice(unknown_ground)
    gathered.refuse()
    chosen = run_span(
        place.body, start, end, years=years, span=span, interval_minutes=interval_minutes, kernels=named
    )
    grid = time_grid(chosen.start_utc, chosen.end_utc, interval_minutes)
    refuse_too_many(grid.count, len(design.mounts))
    begin, finish = float(grid.edge_tdb_s[0]), float(grid.edge_tdb_s[-1])
    ephemeris = open_ephemeris(place.body, begin, finish, extra=named)
    track = prepare_track(
        ephemeris,
        place.body,
        place.latitude_deg,
        place.longitude_deg,
        place.elevation_m + place.mast_height_m,
        begin,
        finish,
    )
    body = place.body
    place, mask, horizon_sources, clear_mask = resolve_site(
        place, notes, lambda: sun_over(track, body, begin, finish), unknown_ground
    )
    # whose libraries have been loaded beside the march over the terrain
    from yieldsim.energy.integration import Setting

    design, optics_sources = resolve_collector(design, notes)
    body = place.body
    # the horizon falls with the curvature of the ground below, not with the distance to the body's centre
    radii_m = (body.equatorial_radius_km * 1000.0, body.polar_radius_km * 1000.0)
    below = LocalSphere.at(place.latitude_deg, place.longitude_deg, *radii_m)
    setting = Setting(
        track=track,
        site=place,
        mask=mask,
        dip_deg=flat_dip_deg(below.radius_m / 1000.0, place.mast_height_m),
        collector=design,
        start_tdb_s=begin,
        year_days=chosen.period.year_days,
    )
    notes.add(*ephemeris.notes)
    season = season_note(ephemeris, place.body, chosen.period, begin, finish)
    span_notes = (*chosen.notes, *((season,) if season else ()))
    for note in reversed(span_notes):
        notes.add_first(note)
    return Prepared(
        setting=setting,
        grid=grid,
        inputs=inputs + horizon_sources + optics_sources,
        kernels=tuple(ephemeris.sources),
        notes=notes,
        period=chosen.period,
        kernel_files=tuple(named),
        span_notes=span_notes,
        clear_mask=clear_mask,
    )


def read_inputs(
    site: str | Path | Site | Loaded[Site],
    collector: str | Path | Collector | Loaded[Collector],
    notes: Notes,
) -> tuple[Site, Collector, tuple[Source, ...]]:
    """Both nouns, with every problem of both files in one InputError; what has been read is not read again."""
    from yieldsim.files.inputs.readers import read_collector, read_site
    from yieldsim.runs.open_inputs import given

    gathered = Gathered()
    with gathered:
        place = given("site", site, Site, read_site)
    with gathered:
        design = given("collector", collector, Collector, read_collector)
    gathered.refuse()
    notes.add(*(*place.warnings, *design.warnings))
    return place.noun, design.noun, (*place.sources, *design.sources)


def resolve_site(
    site: Site, notes: Notes, sun: SunOver | None = None, unknown_ground: UnknownGround = "refuse"
) -> tuple[Site, HorizonMask | None, tuple[Source, ...], HorizonMask | None]:
    """The site and its skyline, computed where it names terrain (None is a flat horizon), its sources, and the upper bound of
    skylines with holes before the Sun."""
    refuse_choice(unknown_ground)
    if not isinstance(site.horizon, TerrainHorizon):
        return site, site.horizon, (), None
    from yieldsim.runs.horizon.run import resolve_horizon

    run = resolve_horizon(site, sun, unknown_ground)
    notes.add(*run.warnings)
    return replace(site, horizon=run.mask), run.mask, run.sources, run.clear


def resolve_collector(collector: Collector, notes: Notes) -> tuple[Collector, tuple[Source, ...]]:
    """The collector with its acceptance traced, where it names a prescription."""
    if not isinstance(collector.acceptance, PrescriptionAcceptance):
        refuse_narrow(collector.name, collector.acceptance)
        return collector, ()
    from yieldsim.runs.trace.run import acceptance_from_prescription

    table, sources, warnings = acceptance_from_prescription(
        Path(collector.acceptance.prescription), collector=collector
    )
    notes.add(*warnings)
    refuse_narrow(collector.acceptance.prescription, table)
    return replace(collector, acceptance=table), tuple(sources)


def ground_of(site: Site, collector: Collector) -> Ground | None:
    """The ground under a collector that asks for temperatures; None where it doesn't. Raises InputError where the site doesn't say."""
    if collector.thermal is None:
        return None
    if site.ground is not None:
        return site.ground
    if site.body.name.lower() != "moon":
        found = f"is missing, and {collector.name} has [thermal]"
        hint = f'how warm is {site.body.name}\'s ground? temperature_k, a table by hour of the day, or model = "regolith"'
        raise refusal(site.name, "[ground]", found, hint=hint)
    return Ground()


def refuse_too_many(rows: int, mounts: int) -> None:
    """Raise InputError where rows and mounts together make series that don't fit in memory."""
    if rows * mounts > MOST_MOUNT_ROWS:
        found = f"make {rows} rows for each of {mounts} mounts"
        allowed = f"up to {MOST_MOUNT_ROWS} rows over all mounts"
        hint = "longer rows lose nothing of the energy; mounts of one orientation may share a count"
        raise refusal("", "start, end and interval_minutes", found, allowed, hint)


def refuse_narrow(where: str, acceptance: Acceptance) -> None:
    """Raise InputError for an acceptance that falls to half so near the normal that no run could follow the Sun across it."""
    from yieldsim.files.tables.lookup_tables import NARROW_HINT, NARROWEST_ACCEPTANCE_DEG
    from yieldsim.optics.acceptance import half_width_deg

    half_deg = half_width_deg(acceptance)
    if half_deg < NARROWEST_ACCEPTANCE_DEG:
        found = f"falls to half within {half_deg:.3g} deg of the normal"
        allowed = f"{NARROWEST_ACCEPTANCE_DEG:g} deg or more"
        raise refusal(where, "acceptance", found, allowed, NARROW_HINT)
