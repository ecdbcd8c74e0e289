"""What a result rests on: version, libraries, input files with the newest one's day, kernels and options.

The same files give the same text: they are known by name and SHA-256, sorted; no folder, and no clock but the day on
which the newest of them was last changed.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
from collections.abc import Iterable, Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

from yieldsim.base.model import Source
from yieldsim.base.results.parts import ProvenanceResult, SourceResult
from yieldsim.files.text.decode import last_changed, opened
from yieldsim.files.text.file_cache import Kept, while_unchanged

LIBRARIES = (
    "numpy",
    "scipy",
    "highspy",
    "numba",
    "xarray",
    "pandas",
    "skyfield",
    "jplephem",
    "matplotlib",
    "typst",
)
"""Those that figures of a result pass through."""
END_BYTES = 1 << 16
_DIGESTS = Kept(1024)
KERNEL_ROLE = "kernel"
"""Sources of this role are listed as kernels, all others as inputs."""


def package_version() -> str:
    """Version of the installed package, "unknown" when run from a bare folder."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("yieldsim")
    except PackageNotFoundError:
        return "unknown"


@cache
def package_digest() -> str:
    """Digest of the package's own sources: versions in the making differ in them alone."""
    root = Path(__file__).parents[2]
    digest = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


@cache
def library_versions() -> dict[str, str]:
    """Versions of Python and of the libraries that results pass through; one not installed is left out."""
    return {"python": platform.python_version(), **dict(versions(LIBRARIES))}


def versions(libraries: Iterable[str]) -> list[tuple[str, str]]:
    """Libraries with their versions; one not installed is left out."""
    from importlib.metadata import PackageNotFoundError, version

    found = []
    for name in libraries:
        with suppress(PackageNotFoundError):
            found.append((name, version(name)))
    return found


def file_source(path: Path, role: str, note: str = "") -> Source:
    """A file of any size as a source. Raises InputError when it can't be read."""

    def read() -> str:
        with opened(path) as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    digest = while_unchanged(_DIGESTS, path.absolute(), read, lambda _: (path,))
    return Source(role=role, name=path.name, sha256=digest, note=note, dated=last_changed(path))


def file_ends(file: str | Path) -> tuple[int, str]:
    """A file's size and the digest of its beginning and end: tells a large one from others in no time. Raises OSError."""
    with Path(file).open("rb") as whole:
        size = whole.seek(0, os.SEEK_END)
        whole.seek(0)
        digest = hashlib.sha256(whole.read(END_BYTES))
        whole.seek(max(size - END_BYTES, 0))
        digest.update(whole.read(END_BYTES))
    return size, digest.hexdigest()


def provenance(sources: Iterable[Source], options: Mapping[str, Any]) -> ProvenanceResult:
    """The provenance record of a result, sorted.

    options   plain values by name, as they were used (defaults included)
    returns   {version, libraries, inputs, inputs_date, kernels, options, digest}: inputs_date is the day on which the
              newest input file was last changed (None where no file was read); the digest is the SHA-256 of version,
              inputs, kernels and options as JSON with sorted keys, so that equal digests mean equal grounds
    """
    rows = sorted(set(sources), key=lambda source: (source.role, source.name, source.sha256, source.note))
    inputs = [source for source in rows if source.role != KERNEL_ROLE]
    grounds: ProvenanceResult = {
        "version": package_version(),
        "inputs": [_row(source) for source in inputs],
        "kernels": [_row(source) for source in rows if source.role == KERNEL_ROLE],
        "options": {name: options[name] for name in sorted(options)},
    }
    canonical = json.dumps(grounds, ensure_ascii=False, sort_keys=True, separators=(",", ":"), default=str)
    return {
        **grounds,
        "libraries": library_versions(),
        "inputs_date": max((source.dated for source in inputs), default="") or None,
        "digest": hashlib.sha256(canonical.encode()).hexdigest(),
    }


def _row(source: Source) -> SourceResult:
    row: SourceResult = {"role": source.role, "name": source.name, "sha256": source.sha256}
    return {**row, "note": source.note} if source.note else row
