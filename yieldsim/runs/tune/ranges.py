"""What a tuning varies: values of a prescription between limits, some linked so that they move together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from yieldsim.base.errors import InputError, Problem, refuse

if TYPE_CHECKING:
    from yieldsim.files.prescription.edit import KeyPath

MOST_RANGES = 6
"""Values varied at once: more take more designs than an hour can trace."""
FORM = "KEY=LOW:HIGH, LOW below HIGH"


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """One value to vary, and those that follow it.

    linked   further keys with their factors: each gets the value times its factor
    """

    path: KeyPath
    low: float
    high: float
    linked: tuple[tuple[KeyPath, float], ...] = ()

    @property
    def name(self) -> str:
        """Its name, table and key."""
        return ".".join(self.path)

    @property
    def label(self) -> str:
        """Its name with those of the linked ones, for figures and lines of text."""
        others = [
            f"{'.'.join(path)}{'' if factor == 1.0 else f' (x {factor:g})'}" for path, factor in self.linked
        ]
        return " and ".join([self.name, *others])

    def values(self, value: float) -> dict[KeyPath, float]:
        """Every key with what it gets."""
        return {self.path: value} | {path: factor * value for path, factor in self.linked}


def parse_ranges(vary: Sequence[object], data: Mapping[str, Any]) -> tuple[Range, ...]:
    """`KEY=LOW:HIGH`, or `KEY,KEY,KEY*FACTOR=LOW:HIGH` for values that move together. Raises InputError with every wrong one."""
    from yieldsim.files.prescription.edit import finite, linked_keys

    problems: list[Problem] = []
    found: list[Range] = []
    if not 1 <= len(vary) <= MOST_RANGES:
        problems.append(
            Problem("--vary", found=f"stands {len(vary)} times", allowed=f"once to {MOST_RANGES} times")
        )
    for words in vary:
        if not isinstance(words, str):
            problems.append(Problem("--vary", found=f"is {words!r:.60}", allowed=FORM))
            continue
        keys, equals, span = words.partition("=")
        low, colon, high = span.partition(":")
        ends = finite(low), finite(high)
        if not (equals and colon and ends[0] < ends[1]):
            hint = "as in focal_length_m=0.3:1.0"
            problems.append(Problem("--vary", found=f'is "{words}"', allowed=FORM, hint=hint))
            continue
        try:
            (first, _), *linked = linked_keys(keys, data)
        except InputError as error:
            problems.extend(error.problems)
            continue
        found.append(Range(path=first, low=ends[0], high=ends[1], linked=tuple(linked)))
    named = [path for one in found for path, _ in ((one.path, 1.0), *one.linked)]
    for path in sorted({path for path in named if named.count(path) > 1}):
        problems.append(Problem("--vary", found=f"names {'.'.join(path)} twice"))
    refuse(problems)
    return tuple(found)
