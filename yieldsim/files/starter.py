"""The starter set of input files, taken from the demo sites."""

from __future__ import annotations

from pathlib import Path

from yieldsim.files.bundled import sites_folder
from yieldsim.files.plain_text import read_bytes
from yieldsim.files.whole_writes import write_new_folder

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
)


def write_starter(folder: Path) -> tuple[str, ...]:
    """Copy the starter set into a folder, all or nothing; the names written.

    Raises InputError when a file of the set is already there.
    """
    source = sites_folder()
    write_new_folder(folder, {name: read_bytes(source / name) for name in STARTER})
    return STARTER
