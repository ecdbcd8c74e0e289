"""Where the light ends: one code per cause, so that the losses of every traced ray add up to what came in."""

from __future__ import annotations

from typing import Final

DELIVERED: Final = 0
OUTSIDE_BAND: Final = 1
FILM: Final = 2
COLLAR_MIRROR: Final = 3
COLLAR_TURNED: Final = 4
BESIDE_LENS: Final = 5
LENS_REFLECTION: Final = 6
DRAFT: Final = 7
ROUNDING: Final = 8
LENS_EDGE: Final = 9
LENS_ABSORPTION: Final = 10
MISSED_FUNNEL: Final = 11
MOUTH_REFLECTION: Final = 12
FUNNEL_ESCAPE: Final = 13
FUNNEL_MIRROR: Final = 14
FUNNEL_TURNED: Final = 15
FUNNEL_ABSORPTION: Final = 16
OUTLET_REFLECTION: Final = 17
BESIDE_FIBRE: Final = 18
OUTSIDE_CONE: Final = 19
COUNT: Final = 20

NAMES: Final = (
    "delivered",
    "outside the traced band",
    "shield film",
    "collar mirrors",
    "turned back by the collar",
    "beside the lens",
    "lens reflection",
    "draft faces",
    "groove tips and valleys",
    "lens edge",
    "lens absorption",
    "missed the funnel",
    "funnel mouth reflection",
    "escaped through the funnel's side",
    "funnel mirror",
    "turned back by the funnel",
    "funnel absorption",
    "funnel outlet reflection",
    "beside the fibre face",
    "outside the fibre's cone",
)

ABSORBED_IN: Final[dict[str, tuple[int, ...]]] = {
    "film": (FILM,),
    "collar": (COLLAR_MIRROR,),
    "lens": (LENS_ABSORPTION,),
    "funnel": (FUNNEL_ABSORPTION, FUNNEL_MIRROR),
    "fibre face": (BESIDE_FIBRE, OUTSIDE_CONE),
}
"""Causes whose light turns to heat in a part. What passes beside or escapes is taken up by the housing."""
