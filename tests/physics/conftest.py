"""Worlds with their kernels, opened once for all tests of a process."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest

from yieldsim.base.clock import tdb_seconds
from yieldsim.base.ephemeris import Ephemeris
from yieldsim.base.model import Body
from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
from yieldsim.files.inputs.readers import read_body

World = Callable[[str], tuple[Body, Ephemeris]]


@cache
def _world(name: str) -> tuple[Body, Ephemeris]:
    import numpy as np

    body = read_body(name).noun
    start, end = tdb_seconds(np.array(["1990-01-01", "2050-01-01"], dtype="datetime64[ns]"))
    return body, open_ephemeris(body, float(start), float(end))


@pytest.fixture(scope="session")
def world() -> World:
    """A built-in body by name, with its ephemeris from 1990 to 2050."""
    return _world
