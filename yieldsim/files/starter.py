"""The starter set of input files, taken from the demo sites."""

from __future__ import annotations

from pathlib import Path

from yieldsim.files.output.atomic_write import write_new_folder
from yieldsim.files.text.bundled import sites_folder
from yieldsim.files.text.decode import read_bytes

EXAMPLE = ("lantern-ridge.toml", "wide.collector.toml")
"""The site and the collector to begin with."""

STARTER = (
    *EXAMPLE,
    "lantern-ridge.horizon.csv",
    "wide.acceptance.csv",
    "wide.attenuation.csv",
    "narrow.collector.toml",
    "narrow.acceptance.csv",
    "habitat.load.toml",
    "lantern-ridge.uncertain.toml",
    "site.schema.json",
    "collector.schema.json",
    "load.schema.json",
    "uncertainty.schema.json",
)
OPTICS = ("half-metre-lens.optics.toml", "prescriptions.md", "prescription.schema.json")
"""A lens prescription, what every key of one means, and its schema for editors."""


def write_starter(folder: Path, *, optics: bool = False) -> tuple[str, ...]:
    """Copy the starter set into a folder, with a lens prescription if wanted, all or nothing; the names written.

    Raises InputError when a file of the set is already there.
    """
    source = sites_folder()
    names = (*STARTER, *OPTICS) if optics else STARTER
    write_new_folder(folder, {name: read_bytes(source / name) for name in names})
    return names
