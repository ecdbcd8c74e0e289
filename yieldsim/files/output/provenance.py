"""What a result rests on: version, input files, kernels and options, without times or places.

The same inputs give the same text: files are known by name and SHA-256, sorted; no clock, folder or machine.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from yieldsim.base.model import Source
from yieldsim.files.text.decode import opened

KERNEL_ROLE = "kernel"
"""Sources of this role are listed as kernels, all others as inputs."""


def package_version() -> str:
    """Version of the installed package, "unknown" when run from a bare folder."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("yieldsim")
    except PackageNotFoundError:
        return "unknown"


def file_source(path: Path, role: str, note: str = "") -> Source:
    """A file of any size as a source. Raises InputError when it can't be read."""
    with opened(path) as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return Source(role=role, name=path.name, sha256=digest, note=note)


def provenance(sources: Iterable[Source], options: Mapping[str, Any]) -> dict[str, Any]:
    """The provenance record of a result: {version, inputs, kernels, options}, sorted.

    options   plain values by name, as they were used (defaults included)
    """
    rows = sorted(set(sources), key=lambda source: (source.role, source.name, source.sha256, source.note))
    return {
        "version": package_version(),
        "inputs": [_row(source) for source in rows if source.role != KERNEL_ROLE],
        "kernels": [_row(source) for source in rows if source.role == KERNEL_ROLE],
        "options": {name: options[name] for name in sorted(options)},
    }


def _row(source: Source) -> dict[str, str]:
    row = {"role": source.role, "name": source.name, "sha256": source.sha256}
    return row | {"note": source.note} if source.note else row
