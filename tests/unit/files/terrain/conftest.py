"""What tests of terrain files share: the Moon, and labels as the planetary archives carry them."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from yieldsim.base.model import Body
from yieldsim.files.inputs.readers import read_body

Label = Callable[..., str]


@pytest.fixture(scope="session")
def moon() -> Body:
    return read_body("moon").noun


@pytest.fixture(scope="session")
def pds3_label() -> Label:
    """A function that writes the label of an image of 16-bit metres about the lunar south pole."""

    def label(
        image: str,
        rows: int,
        columns: int,
        *,
        pixel_m: float,
        upper_left_m: tuple[float, float],
        of_image: str = "",
    ) -> str:
        left_m, top_m = upper_left_m
        return f"""PDS_VERSION_ID = "PDS3"
RECORD_TYPE = FIXED_LENGTH
RECORD_BYTES = {columns * 2}
FILE_RECORDS = {rows}
^IMAGE = "{image}"
TARGET_NAME = MOON
OBJECT = IMAGE
  LINES = {rows}
  LINE_SAMPLES = {columns}
  SAMPLE_TYPE = LSB_INTEGER
  SAMPLE_BITS = 16
  UNIT = METER
{of_image}END_OBJECT = IMAGE
OBJECT = IMAGE_MAP_PROJECTION
  MAP_PROJECTION_TYPE = "POLAR STEREOGRAPHIC"
  A_AXIS_RADIUS = 1737.4 <KM>
  B_AXIS_RADIUS = 1737.4 <KM>
  C_AXIS_RADIUS = 1737.4 <KM>
  POSITIVE_LONGITUDE_DIRECTION = "EAST"
  CENTER_LATITUDE = -90 <DEG>
  CENTER_LONGITUDE = 0 <DEG>
  LINE_PROJECTION_OFFSET = {top_m / pixel_m - 0.5}
  SAMPLE_PROJECTION_OFFSET = {-left_m / pixel_m - 0.5}
  MAP_SCALE = {pixel_m:g} <M/PIXEL>
  MAP_RESOLUTION = {30321.0 / pixel_m:.2f} <PIXEL/DEG>
  MAP_PROJECTION_ROTATION = 0
END_OBJECT = IMAGE_MAP_PROJECTION
END
"""

    return label
