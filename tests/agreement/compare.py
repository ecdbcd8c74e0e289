"""Ours beside theirs: the difference in units of their uncertainty, and a verdict that counts only what may be counted."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from agreement.published import Published, all_published

Compute = Callable[[], "float | tuple[float, str]"]
AGREES, EXPLAINED, DIFFERS = "agrees", "explained", "differs"
MEMORY, SHOWN, BEYOND = "from memory", "shown only", "beyond the model"
VERDICTS = {
    AGREES: "within the published uncertainty, or the limit is kept",
    EXPLAINED: "outside it, by no more than a stated difference of the models explains",
    DIFFERS: "outside it, unexplained",
    MEMORY: "the published value was recalled, not read: not counted",
    SHOWN: "computed, not counted, for the reason given",
    BEYOND: "not computed, for the reason given",
}
DIGITS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How ours is computed.

    slow     takes more than a second or two: run with --slow, and by the slow tests
    files    what must be there (terrain that is not part of the package), as paths; without them the kept value stands
    """

    compute: Compute
    slow: bool
    files: tuple[Any, ...]

    @property
    def possible(self) -> bool:
        """Whether the files are there."""
        return all(path.is_file() for path in self.files)


WAYS: dict[str, Way] = {}


def ours(key: str, *, slow: bool = False, files: Sequence[Any] = ()) -> Callable[[Compute], Compute]:
    """Say that a function gives our value of a row: a number, or a number and a note on it."""

    def keep(compute: Compute) -> Compute:
        if key in WAYS or key not in all_published():
            raise ValueError(f"{key} is computed twice or is not published")
        WAYS[key] = Way(compute=compute, slow=slow, files=tuple(files))
        return compute

    return keep


def computed(key: str) -> dict[str, Any]:
    """Our value of a row now, compared."""
    found = WAYS[key].compute()
    number, note = found if isinstance(found, tuple) else (found, "")
    row = all_published()[key]
    return comparison(row, rounded(number, row.within), note)


def rounded(number: float, within: float) -> float:
    """To DIGITS digits, or to a hundredth of the uncertainty where that is finer.

    >>> rounded(668.59212, 5e-5), rounded(0.123456, 0.5)
    (668.59212, 0.12346)
    """
    decimals = DIGITS - 1 - (math.floor(math.log10(abs(number))) if number else 0)
    if within > 0.0:
        decimals = max(decimals, 2 - math.floor(math.log10(within)))
    return round(number, decimals)


def comparison(row: Published, found: float | None, note: str = "") -> dict[str, Any]:
    """One row as JSON: theirs, ours (None where not computed), difference, verdict."""
    off = None if found is None else difference(row, found)
    way = WAYS.get(row.key)
    return {
        "key": row.key,
        "chapter": row.chapter,
        "quantity": row.quantity,
        "conditions": row.conditions,
        "published": f"{row.value} values of {row.table}" if row.table else row.value,
        "relation": row.relation,
        "unit": row.unit,
        "uncertainty": row.within,
        "uncertainty_is": "last digit" if row.uncertainty is None else "stated",
        "source_key": row.source_key,
        "source": row.source,
        "place": row.place,
        "known": row.known,
        "ours": found,
        "difference": off,
        "difference_in_uncertainties": None
        if off is None or row.within == 0.0
        else float(f"{off / row.within:.3g}"),
        "allowed": row.allowed,
        "because": row.because,
        "note": note,
        "verdict": verdict(row, off),
        "counted": row.counted and found is not None,
        "slow": bool(way and way.slow),
        "needs_terrain": bool(way and way.files),
    }


def difference(row: Published, found: float) -> float:
    """How far ours is from theirs: from the value, the nearer limit (0 inside it); for a table ours is the difference."""
    if row.table:
        off = found
    elif row.relation == "between":
        low, high = row.numbers
        off = min(found - low, 0.0) + max(found - high, 0.0)
    elif row.relation == "at most":
        off = max(found - row.number, 0.0)
    elif row.relation == "at least":
        off = min(found - row.number, 0.0)
    else:
        off = found - row.number
    return float(f"{off:.4g}")


def verdict(row: Published, off: float | None) -> str:
    """What the comparison comes to."""
    if off is None:
        return BEYOND
    if row.state == "shown":
        return SHOWN
    if row.known == "memory":
        return MEMORY
    if abs(off) <= row.within * (1.0 + 1e-9):
        return AGREES
    return EXPLAINED if row.allowed is not None and abs(off) <= row.allowed else DIFFERS


def as_json(rows: Sequence[dict[str, Any]]) -> str:
    """The table as a file: verdicts, what they mean, counts, rows."""
    return json.dumps(
        {
            "schema": "yieldsim agreement 1",
            "verdicts": VERDICTS,
            "counts": counts(rows),
            "counted": sum(row["counted"] for row in rows),
            "rows": list(rows),
        },
        indent=1,
        ensure_ascii=False,
    ) + "\n"  # fmt: skip


def counts(rows: Sequence[dict[str, Any]]) -> dict[str, int]:
    """Rows by verdict, in the order of VERDICTS."""
    return {name: sum(row["verdict"] == name for row in rows) for name in VERDICTS}
