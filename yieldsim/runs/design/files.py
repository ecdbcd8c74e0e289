"""A design as the files of site, collector and load that `estimate` and `budget` take as they are."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.base.model import HorizonMask, Mount, Site
from yieldsim.base.plans.design import DesignPlan

if TYPE_CHECKING:
    from yieldsim.runs.design.combinations import Combination
    from yieldsim.runs.setup.prepare import Prepared

SITE, COLLECTOR, LOAD = "design.site", "design.collector", "design.load"


def design_files(
    plan: DesignPlan,
    combination: Combination,
    ready: Prepared,
    mounts: tuple[Mount, ...],
    capacity_kwh: float,
    stems: tuple[str, str, str] = (SITE, COLLECTOR, LOAD),
) -> dict[str, str]:
    """Names and texts.

    ready   prepared for the combination: its skyline computed, its acceptance traced
    stems   names of the files of site, collector and load, without .toml
    """
    from yieldsim.files.inputs.collector_writer import collector_files
    from yieldsim.files.inputs.load_writer import load_files

    units = sum(mount.count for mount in mounts)
    comment = f"{plan.name}: {units} units chosen by yieldsim design for {combination.name}"
    design = replace(ready.setting.collector, mounts=mounts)
    store = plan.load.storage
    site, collector, load = stems
    files = _site_files(plan.sites[combination.site_number].file, ready.setting.site, comment, site)
    files |= collector_files(design, collector, f"{comment}; mass_kg counts unit, shield and fibre")
    held_kwh = capacity_kwh if store is not None else None
    files |= load_files(plan.load_file, held_kwh, f"{load}.toml", comment, plan.load.demand_ratio)
    return files


def _site_files(source: Path, site: Site, comment: str, stem: str) -> dict[str, str]:
    """The site with its mast and its skyline, its air, and the body's file where it has one of its own."""
    from yieldsim.files.inputs.site_writer import (
        body_of_its_own,
        horizon_text,
        site_text,
        tables_beside,
    )

    body, own = body_of_its_own(source, site)
    found: dict[str, str] = {} if own is None else {body: own}
    table = None
    if isinstance(site.horizon, HorizonMask):
        table = f"{stem}.horizon.csv"
        mask = site.horizon
        found[table] = horizon_text(mask.azimuth_deg, mask.elevation_deg, [comment])
    return {f"{stem}.toml": site_text(site, body, table, comment), **found, **tables_beside(site)}
