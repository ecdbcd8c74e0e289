"""Rotation elements of the built-in bodies."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from yieldsim.base.model import RotationElements
from yieldsim.files.inputs.readers import read_body


@pytest.fixture
def world_elements() -> Callable[[str], RotationElements]:
    return lambda name: read_body(name).noun.rotation
