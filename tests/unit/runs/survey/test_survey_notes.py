"""What a survey says of pixels that are too coarse for its Sun."""

import pytest

from yieldsim.runs.survey.dataset import coarse_note


@pytest.mark.parametrize(
    ("pixel_m", "mast_height_m", "highest_sun_deg", "told"),
    [
        (240.0, 0.0, 1.9, True),
        (240.0, 2.0, 1.9, True),
        # read from 10 to 240 m a pixel: 94.9 and 94.6 % of a year at 5 m above the ridge, 84.0 and 90.4 % at its surface
        (240.0, 5.0, 1.9, False),
        (10.0, 0.0, 1.9, False),
        (14_800.0, 0.0, 89.0, False),
    ],
)
def test_coarse_pixels_under_a_low_sun_are_told(pixel_m, mast_height_m, highest_sun_deg, told):
    found = coarse_note(pixel_m, mast_height_m, highest_sun_deg)
    assert bool(found) is told
    assert not told or found[0].startswith("pixels of 240 m smooth away ground that hides a low Sun")


def test_large_pixels_are_told_in_metres():
    assert coarse_note(7580.84, 0.0, 1.9)[0].startswith("pixels of 7580 m smooth")
