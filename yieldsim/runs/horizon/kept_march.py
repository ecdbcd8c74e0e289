"""Marches kept on the user's disk: other collectors, facings and spans at one place look over the same ground.

One lies in the folder that `files.output.user_cache` tells of, under the digest of all that it follows from: the view, these
sources, the libraries, and name, size and time of change of what lies beside its files. It holds while the files have the content
that they had. Those with holes of unknown ground or from the network are not kept, nor from files that changed just now.
"""

from __future__ import annotations

import json
import os
from dataclasses import fields
from pathlib import Path

import numpy as np

from yieldsim.base.errors import YieldsimError
from yieldsim.base.numerics.jit import source_stamp
from yieldsim.files.output.provenance import file_source, versions
from yieldsim.files.output.user_cache import cached_arrays, content_key, drop_oldest, keep_arrays
from yieldsim.files.terrain.raster_metadata import split_variable
from yieldsim.files.terrain.remote import Address
from yieldsim.files.text.file_cache import untouched_since
from yieldsim.ground.skyline import Skyline
from yieldsim.runs.horizon import march
from yieldsim.runs.horizon.march import March, View

PREFIX = "skyline-"
MOST_BYTES = 16 << 20
"""Of all that are kept: one with a row each half degree has 33 kB."""
LIBRARIES = ("numpy", "scipy", "numba", "rasterio", "pyproj")
LINE = tuple(field.name for field in fields(Skyline))


def kept(view: View) -> March | None:
    """The march of a view that was kept; None where none was, or over files that are others now."""
    key = _key(view)
    found = None if key is None else cached_arrays(key)
    if found is None:
        return None
    try:
        words = json.loads(bytes(found["words"].astype(np.uint8)))
        files = tuple(Path(name) for name in words["files"])
        sources = tuple(file_source(file, "terrain") for file in files)
        line = {name: found[name] for name in LINE}
        ground_m, highest_m = float(line.pop("ground_m")), float(found["highest_m"])
        if [source.sha256 for source in sources] != words["sha256"]:
            return None
        return March(
            bare=Skyline(**line, ground_m=ground_m),
            blocked=None,
            holed=(),
            highest_m=highest_m,
            notes=tuple(words["notes"]),
            files=files,
            sources=sources,
        )
    except (KeyError, TypeError, ValueError, YieldsimError):
        # of another make, or its files are gone
        return None


def keep(view: View, seen: March, began_ns: int) -> None:
    """Keep the march of a view for runs to come, where it can be told again.

    began_ns   when its files were first looked at, in the clock of file times
    """
    key = _key(view)
    if key is None or seen.blocked is not None or not untouched_since(seen.files, began_ns):
        return
    words = {
        "notes": seen.notes,
        "files": [str(file) for file in seen.files],
        "sha256": [source.sha256 for source in seen.sources],
    }
    text = np.frombuffer(json.dumps(words).encode(), dtype=np.uint8).astype(np.float64)
    line = {name: np.asarray(getattr(seen.bare, name)) for name in LINE}
    keep_arrays(key, {**line, "highest_m": np.asarray(seen.highest_m), "words": text})
    drop_oldest(PREFIX, MOST_BYTES)


def _key(view: View) -> str | None:
    """What a view's march is kept under; None where it can't be told from others."""
    if any(isinstance(file, Address) for file in view.terrain):
        return None
    try:
        beside = [_beside(Path(split_variable(file)[0])) for file in view.terrain]
        stamp = source_stamp(march.__name__)
    except (OSError, ImportError):
        return None
    # from other folders a file may rest on others
    return PREFIX + content_key(stamp, versions(LIBRARIES), Path.cwd(), view, beside)


def _beside(file: Path) -> list[tuple[str, int, int]]:
    """Name, size and time of change of a raster and of what may be its label, overviews, notes. Raises OSError."""
    stem = f"{file.stem}.".lower()
    with os.scandir(file.parent) as there:
        found = [(one.name, one.stat()) for one in there if one.name.lower().startswith(stem)]
    return sorted((name, of.st_size, of.st_mtime_ns) for name, of in found)
