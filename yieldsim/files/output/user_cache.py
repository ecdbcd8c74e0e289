"""A user's cache of traced acceptance tables and of skylines, each under the hash of everything that it follows from.

The folder is $YIELDSIM_CACHE, else the system's usual place for caches. A cache that can't be read or
written is as good as none: nothing depends on it but time. Setting YIELDSIM_CACHE to an empty text switches
it off.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from yieldsim.base.errors import WriteFailed
from yieldsim.base.model import Acceptance, AcceptanceBands, BiaxialAcceptance, RoundAcceptance
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.output.atomic_write import whole_file


def cache_folder() -> Path | None:
    """The folder; None when the cache is switched off or there is no home for it."""
    chosen = os.environ.get("YIELDSIM_CACHE")
    if chosen is not None:
        return Path(chosen) if chosen.strip() else None
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA")
    elif sys.platform == "darwin":
        base = os.path.expanduser("~/Library/Caches")
    else:
        base = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    if not base or base.startswith("~"):
        return None
    return Path(base) / "yieldsim"


def content_key(*parts: object) -> str:
    """SHA-256 over the content of frozen nouns, arrays, tuples and plain values, in order.

    >>> content_key(1.0, "a") == content_key(1.0, "a"), content_key(1.0) == content_key(1.5)
    (True, False)
    """
    digest = hashlib.sha256()

    def feed(value: object) -> None:
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            digest.update(type(value).__name__.encode())
            for field in dataclasses.fields(value):
                digest.update(field.name.encode())
                feed(getattr(value, field.name))
        elif isinstance(value, np.ndarray):
            digest.update(f"{value.dtype}{value.shape}".encode())
            digest.update(np.ascontiguousarray(value).tobytes())
        elif isinstance(value, tuple | list):
            digest.update(f"[{len(value)}".encode())
            for item in value:
                feed(item)
        else:
            digest.update(f"{type(value).__name__}:{value!r};".encode())

    for part in parts:
        feed(part)
    return digest.hexdigest()


def cached_arrays(key: str) -> dict[str, FloatArray] | None:
    """The arrays kept under a key; None when there are none, or none that can be trusted."""
    folder = cache_folder()
    if folder is None:
        return None
    try:
        with np.load(folder / f"{key}.npz", allow_pickle=False) as archive:
            arrays = {name: np.asarray(archive[name], dtype=np.float64) for name in archive.files}
    except Exception:  # a damaged archive fails in many ways; each means: trace again
        return None
    return arrays if all(np.isfinite(array).all() for array in arrays.values()) else None


def keep_arrays(key: str, arrays: Mapping[str, FloatArray]) -> None:
    """Keep arrays under a key, or not at all."""
    folder = cache_folder()
    if folder is None:
        return
    saved: dict[str, Any] = dict(arrays)
    with contextlib.suppress(OSError, WriteFailed), whole_file(folder / f"{key}.npz") as partial:
        np.savez(partial, **saved)


def drop_oldest(prefix: str, most_bytes: int) -> None:
    """Drop the oldest of the arrays under keys with a prefix until the others have no more bytes than that."""
    folder = cache_folder()
    if folder is None:
        return
    with contextlib.suppress(OSError):
        there = sorted(((path, path.stat()) for path in folder.glob(f"{prefix}*.npz")), key=_newest_first)
        held = 0
        for path, of in there:
            held += of.st_size
            if held > most_bytes:
                path.unlink(missing_ok=True)


def _newest_first(one: tuple[Path, os.stat_result]) -> int:
    return -one[1].st_mtime_ns


def keep_table(key: str, table: Acceptance) -> None:
    """Keep an acceptance table with its bands under a key, or not at all."""
    if table.bands is None:
        return
    keep_arrays(
        key,
        {
            **{name: getattr(table, name) for name in _angle_names(table)},
            "acceptance_fraction": table.acceptance_fraction,
            "band_nm": table.bands.wavelength_nm,
            "band_acceptance": table.bands.acceptance_fraction,
        },
    )


def _angle_names(table: Acceptance) -> tuple[str, ...]:
    """The angles of a table, by name."""
    one_angle = isinstance(table, RoundAcceptance)
    return ("incidence_deg",) if one_angle else ("transverse_deg", "longitudinal_deg")


def cached_table(key: str) -> Acceptance | None:
    """The acceptance table kept under a key, checked like a new one; None when there is none, or none that is whole."""
    arrays = cached_arrays(key)
    wanted = {"acceptance_fraction", "band_nm", "band_acceptance"}
    if arrays is None or not wanted <= arrays.keys():
        return None
    share, by_band = arrays["acceptance_fraction"], arrays["band_acceptance"]
    if min(share.min(), by_band.min()) < 0.0 or max(share.max(), by_band.max()) > 1.0:
        return None
    if arrays["band_nm"].shape != (len(by_band), 2) or by_band.shape[1:] != share.shape:
        return None
    bands = AcceptanceBands(wavelength_nm=arrays["band_nm"], acceptance_fraction=by_band)
    if "incidence_deg" in arrays and arrays["incidence_deg"].shape == share.shape:
        return RoundAcceptance(
            incidence_deg=arrays["incidence_deg"], acceptance_fraction=share, source="point", bands=bands
        )
    angles = [arrays.get(name) for name in ("transverse_deg", "longitudinal_deg")]
    if angles[0] is None or angles[1] is None or (len(angles[0]), len(angles[1])) != share.shape:
        return None
    return BiaxialAcceptance(
        transverse_deg=angles[0],
        longitudinal_deg=angles[1],
        acceptance_fraction=share,
        source="point",
        bands=bands,
    )
