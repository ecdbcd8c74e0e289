"""Places that no kernel can know are said to be so."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from skyfield.errors import EphemerisRangeError
from skyfield.vectorlib import VectorFunction

from yieldsim.base.clock import tdb_seconds
from yieldsim.base.errors import DataMissing
from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
from yieldsim.files.inputs.readers import read_body
from yieldsim.sky.apparent import SiteSky


class Far(VectorFunction):
    """A Sun whose light needs more than a year, in a kernel that begins a month before the span."""

    center, target = 0, 10

    def __init__(self, first_jd: float) -> None:
        self.first_jd = first_jd

    def _at(self, t: Any) -> Any:
        if np.min(t.tdb) < self.first_jd:
            raise EphemerisRangeError("only from 2026-12-01", None, None, None, None)
        at = np.full((3, np.size(t.tdb)), 1e5)
        return at, np.zeros_like(at), None, None


def test_light_that_left_before_a_kernel_begins() -> None:
    body = read_body("moon").noun
    first, last = (float(one) for one in tdb_seconds(["2027-01-01", "2027-01-03"]))
    sky = SiteSky(open_ephemeris(body, first, last), body, -88.0, 0.0, 0.0)
    far = Far(2461375.5)
    with pytest.raises(DataMissing, match="its light left before the kernel begins"):
        sky.enu_au(np.linspace(first, last, 4), (far,))
