"""A certificate: plain arrays by name in one archive, from which a bound can be worked out again without this package."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np


def certificate_bytes(arrays: Mapping[str, Any]) -> bytes:
    """The archive (NumPy's .npz, compressed); the same bytes for the same arrays."""
    held = io.BytesIO()
    plain: dict[str, Any] = {name: np.asarray(arrays[name]) for name in sorted(arrays)}
    np.savez_compressed(held, **plain)
    return held.getvalue()


def read_certificate(path: Path | str) -> dict[str, np.ndarray]:
    """The arrays of an archive."""
    with np.load(path, allow_pickle=False) as archive:
        return {name: archive[name] for name in archive.files}
