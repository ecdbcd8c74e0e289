"""The starter sets of input files, one a body, taken from the demo sites."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from yieldsim.base.errors import likely, refusal
from yieldsim.files.output.atomic_write import write_new_folder
from yieldsim.files.text.bundled import sites_folder
from yieldsim.files.text.decode import read_bytes

SCHEMAS = (
    "site.schema.json",
    "collector.schema.json",
    "load.schema.json",
    "uncertainty.schema.json",
    "design.schema.json",
)
WIDE = ("wide.acceptance.csv", "wide.attenuation.csv")
STARTERS: Mapping[str, tuple[str, ...]] = {
    "moon": (
        "lantern-ridge.toml",
        "wide.collector.toml",
        "habitat.load.toml",
        "lantern-ridge.uncertain.toml",
        "lantern-ridge.design.toml",
        "lantern-growth.design.toml",
        "lantern-watch.load.toml",
        "lantern-ridge.horizon.csv",
        *WIDE,
        "narrow.collector.toml",
        "narrow.acceptance.csv",
        "insulated.collector.toml",
        *SCHEMAS,
    ),
    "mars": (
        "rust-plain.toml",
        "sol-fan.collector.toml",
        "sol-house.load.toml",
        "rust-plain.uncertain.toml",
        "rust-plain.optical-depth.csv",
        *WIDE,
        *SCHEMAS,
    ),
    "mercury": (
        "ember-rim.toml",
        "wide.collector.toml",
        "habitat.load.toml",
        "ember-rim.horizon.csv",
        *WIDE,
        *SCHEMAS,
    ),
}
"""Files by body: site, collector and load first."""
OPTICS = ("half-metre-lens.optics.toml", "prescriptions.md", "prescription.schema.json")
"""A lens prescription, what every key of one means, and its schema for editors."""


def write_starter(folder: Path, *, body: str = "moon", optics: bool = False) -> tuple[str, ...]:
    """Copy the starter set of a body into a folder, with a lens prescription if wanted, all or nothing; the names written.

    Raises InputError when there is none for the body, or when a file of the set is already there.
    """
    files = STARTERS.get(body.lower())
    if files is None:
        raise refusal(
            "",
            "body",
            f'is "{body}"',
            ", ".join(STARTERS),
            likely(body.lower(), STARTERS)
            or "for another world change a copy of these; sites/README.md says how",
        )
    source = sites_folder()
    names = (*files, *OPTICS) if optics else files
    write_new_folder(folder, {name: read_bytes(source / name) for name in names})
    return names
