"""Worlds with their kernels, opened once for all tests of a process."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from agreement.worlds import world as open_world

from yieldsim.base.ephemeris import Ephemeris
from yieldsim.base.model import Body

World = Callable[[str], tuple[Body, Ephemeris]]


@pytest.fixture(scope="session")
def world() -> World:
    """A built-in body by name, with its ephemeris from 1990 to 2050."""
    return open_world
