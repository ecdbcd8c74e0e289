"""Arrays as text in an HTML file: differences, bytes by significance, deflate, base64.

A series that changes little from row to row has small differences, whose high bytes are all alike; put together by
significance they take next to no room. `assets/unpack.js` is the way back.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

KINDS = {"uint8": "u1", "uint16": "u2", "int32": "u4", "uint32": "u4", "float32": "u4", "float64": "u8"}
"""Types that travel, and the unsigned integers of their width, in which differences are taken (modulo their range)."""


def packed(arrays: Mapping[str, NDArray[Any]]) -> tuple[dict[str, dict[str, Any]], str]:
    """A table of contents and one text that holds all arrays.

    The table: for each name its kind, shape, first byte and whether differences (along the last axis) were taken.
    """
    contents: dict[str, dict[str, Any]] = {}
    parts: list[bytes] = []
    place = 0
    for name, values in arrays.items():
        kind = values.dtype.name
        bits = np.ascontiguousarray(values).view(f"<{KINDS[kind]}")
        differs = values.dtype.kind in "iu"
        if differs and bits.size:
            bits = np.diff(bits, axis=-1, prepend=np.zeros_like(bits[..., :1]))
        planes = bits.ravel().astype(f"<{KINDS[kind]}").view(np.uint8).reshape(-1, values.dtype.itemsize).T
        part = np.ascontiguousarray(planes).tobytes()
        contents[name] = {"kind": kind, "shape": list(values.shape), "at": place, "differences": differs}
        parts.append(part)
        place += len(part)
    squeezer = zlib.compressobj(9, zlib.DEFLATED, -15)
    squeezed = squeezer.compress(b"".join(parts)) + squeezer.flush()
    return contents, base64.b64encode(squeezed).decode("ascii")


def shares_16(values: NDArray[Any], top: float) -> NDArray[np.uint16]:
    """Values 0..top as 16 bits of top; what is above 0 stays above 0."""
    share = (
        np.rint(np.asarray(values, dtype=np.float64) / top * 65535.0) if top > 0.0 else np.zeros(values.shape)
    )
    whole = np.clip(share, 0.0, 65535.0).astype(np.uint16)
    return np.where((np.asarray(values) > 0.0) & (whole == 0), np.uint16(1), whole)


def turns_16(values: NDArray[Any], whole: float) -> NDArray[np.uint16]:
    """Values on a circle of `whole` (24 hours, 360 degrees) as 16 bits that wrap where it does."""
    return (np.rint(np.asarray(values, dtype=np.float64) / whole * 65536.0).astype(np.int64) % 65536).astype(
        np.uint16
    )
