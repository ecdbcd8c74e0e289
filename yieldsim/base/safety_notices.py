"""The cautions that stand wherever delivered energy is read: said once on each page, plain and short."""

from __future__ import annotations

from typing import Final

CAUTION_EYES: Final = (
    "Never look into a lit fibre end. Concentrated sunlight blinds, burns and ignites: provide shutters and "
    "interlocks, and keep flammable material clear."
)
CAUTION_ESTIMATE: Final = (
    "These figures are estimates. They are not a basis for life support without margins, independent checks "
    "and the approval of the responsible qualified engineers and the codes that apply."
)
CAUTIONS: Final = (CAUTION_EYES, CAUTION_ESTIMATE)
CAUTION_SHORT: Final = "Estimates: no basis for life support. Never look into a lit fibre end."
"""At the foot of each page; CAUTIONS stand in full on one of them."""
