"""Worlds with their kernels, opened once a process."""

from __future__ import annotations

from functools import cache

import numpy as np

from yieldsim.base.clock import tdb_seconds
from yieldsim.base.ephemeris import Ephemeris
from yieldsim.base.model import Body
from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
from yieldsim.files.inputs.readers import read_body


@cache
def world(name: str) -> tuple[Body, Ephemeris]:
    """A built-in body by name, with its ephemeris from 1990 to 2050."""
    body = read_body(name).noun
    start, end = tdb_seconds(np.array(["1990-01-01", "2050-01-01"], dtype="datetime64[ns]"))
    return body, open_ephemeris(body, float(start), float(end))


def seconds(text: str) -> float:
    """TDB seconds after J2000 of a UTC instant."""
    return float(tdb_seconds(np.datetime64(text)))
