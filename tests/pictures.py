"""What a drawn picture holds, as far as its pixels tell."""

from __future__ import annotations

from pathlib import Path

import numpy as np


def inked_quarters(path: Path) -> list[float]:
    """Shares of pixels that are not paper in the four quarters of a PNG's height, top first: a blank page has none."""
    from PIL import Image

    with Image.open(path) as picture:
        inked = (np.asarray(picture.convert("L")) < 250).astype(float)
    return [float(part.mean()) for part in np.array_split(inked, 4)]
