"""Ranges of numbers, stated once on the fields of the nouns: `Annotated[float, Range(-90.0, 90.0)]`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from numbers import Integral, Real
from typing import Any, get_args, get_type_hints


@dataclass(frozen=True, slots=True)
class Range:
    """Finite numbers from `low` to `high`, or strictly `above` and `below`; `whole`: integers alone;
    `increases`: of an array, each number is more than the one before.

    >>> Range(0.0, above=-1.0).holds(True), Range(-90, 90).holds(12), Range(above=0.0).holds(0.0)
    (False, True, False)
    """

    low: float = -math.inf
    high: float = math.inf
    above: float = -math.inf
    below: float = math.inf
    whole: bool = False
    increases: bool = False

    def holds(self, value: object) -> bool:
        """Whether a value is a number of the range: no text, boolean, NaN or infinity."""
        if isinstance(value, bool) or not isinstance(value, Integral if self.whole else Real):
            return False
        try:
            number = float(value)
        except OverflowError:
            return False
        return math.isfinite(number) and self.low <= number <= self.high and self.above < number < self.below

    @property
    def words(self) -> str:
        """The range in words, empty where every finite number is in it.

        >>> Range(-90, 90).words, Range(0).words, Range(high=1, above=0).words
        ('-90 to 90', '0 or more', 'more than 0, at most 1')
        """
        if self.whole:
            return f"a whole number, {self.low} to {self.high}"
        if self.low > -math.inf and self.high < math.inf:
            return f"{self.low:.10g} to {self.high:.10g}"
        lower = upper = ""
        if self.above > -math.inf:
            lower = f"more than {self.above:.10g}"
        elif self.low > -math.inf:
            lower = f"{self.low:.10g} or more"
        if self.below < math.inf:
            upper = f"less than {self.below:.10g}"
        elif self.high < math.inf:
            upper = f"at most {self.high:.10g}"
        return ", ".join(part for part in (lower, upper) if part)

    def hint(self, value: object) -> str:
        """A hint for a number outside the range that was meant in per cent; ranges from 0 to 1 are those of shares.

        >>> Range(0, 1).hint(93), Range(above=0, high=1).hint(7.25), Range(0, 1).hint(-3), Range(-1, 1).hint(93)
        ('a share of 1, not per cent: 0.93', 'a share of 1, not per cent: 0.0725', '', '')
        """
        share = max(self.low, self.above) == 0.0 and min(self.high, self.below) == 1.0 and not self.whole
        if not share or self.holds(value) or not Range(above=1.0, high=100.0).holds(value):
            return ""
        part = float(f"{float(value) / 100.0:.12g}")  # type: ignore[arg-type]
        return f"a share of 1, not per cent: {part!r}" if self.holds(part) else ""


@cache
def field_types(noun: Any) -> dict[str, Any]:
    """The annotations of a noun's fields, evaluated, with what `Annotated` adds."""
    return get_type_hints(noun, include_extras=True)


def range_of(noun: type, key: str) -> Range:
    """The range that a field of a noun states. Raises LookupError where it states none."""
    found = range_in(field_types(noun)[key])
    if found is None:
        raise LookupError(f"{noun.__name__}.{key} states no range")
    return found


def range_in(annotation: Any) -> Range | None:
    """The range inside an annotation such as `Annotated[float, Range(0.0)] | None`."""
    for part in (*getattr(annotation, "__metadata__", ()), *get_args(annotation)):
        found = part if isinstance(part, Range) else range_in(part)
        if found is not None:
            return found
    return None
