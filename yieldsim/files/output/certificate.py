"""A certificate: plain arrays by name in one archive, from which a bound can be worked out again without this package."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

import numpy as np


def certificate_bytes(arrays: Mapping[str, Any]) -> bytes:
    """The archive (NumPy's .npz, compressed); the same bytes for the same arrays."""
    held = io.BytesIO()
    plain: dict[str, Any] = {name: np.asarray(arrays[name]) for name in sorted(arrays)}
    np.savez_compressed(held, **plain)
    return held.getvalue()
