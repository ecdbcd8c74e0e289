"""How many digits numbers have: those of one column the same decimals, large ones four digits."""

from __future__ import annotations

import math
from collections.abc import Sequence

DIGITS = 4


def aligned(values: Sequence[float], digits: int = DIGITS) -> list[str]:
    """Plain decimals, none in powers of ten; a dash for what is no number.

    The largest gets `digits` digits, and one decimal more where the smallest would be left with a single digit.

    >>> aligned([1854.066, 14.7164, 0.0])
    ['1854', '15', '0']
    >>> aligned([1854.066, 1.6])
    ['1854.1', '1.6']
    >>> aligned([14.7164, 0.582, math.nan])
    ['14.72', '0.58', '-']
    """
    sizes = [abs(value) for value in values if math.isfinite(value) and value != 0.0]
    if not sizes:
        return ["0" if math.isfinite(value) else "-" for value in values]
    decimals = decimals_for(max(sizes), digits)
    if min(sizes) * 10.0**decimals < 10.0 and max(sizes) < 1e4:
        decimals += 1
    return [f"{value:.{min(decimals, 6)}f}" if math.isfinite(value) else "-" for value in values]


def plain(value: float | None, digits: int = DIGITS, *, sign: str = "") -> str:
    """A number of running text to so many digits; large ones in whole digits, in powers of ten from a billion on only; a dash
    for none.

    sign   "+" where a positive number shows it too

    >>> plain(1570.3, 3), plain(12.3456), plain(123456.7), plain(0.5), plain(-99.7, 2, sign="+")
    ('1570', '12.35', '123457', '0.5', '-100')
    """
    if value is None:
        return "-"
    text = f"{value:{sign}.{digits}g}"
    return f"{value:{sign}.0f}" if "e+" in text and abs(value) < 1e9 else text


def decimals_for(peak: float, digits: int = 3) -> int:
    """Decimals that give the largest number of a column its significant digits.

    >>> decimals_for(138.0), decimals_for(2.45), decimals_for(0.0)
    (0, 2, 0)
    """
    return max(0, digits - 1 - math.floor(math.log10(peak))) if peak > 0.0 else 0


def four_digits(value: float, digits: int = DIGITS) -> float:
    """Numbers from 10 000 on to four significant digits, or as many as are asked for."""
    return float(f"{value:.{max(digits, 4) - 1}e}") if abs(value) >= 9999.5 else value
