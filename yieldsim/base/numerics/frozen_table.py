"""What every noun that holds arrays has in common."""

from __future__ import annotations

from dataclasses import fields
from typing import ClassVar

import numpy as np

from yieldsim.base.errors import refusal
from yieldsim.base.numerics.vectors import FloatArray


def frozen_array(values: object) -> FloatArray:
    """A read-only float64 copy. Raises InputError for what is no array of numbers."""
    try:
        array = np.array(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise refusal("", found="a table holds what is no number, or rows of unequal length") from None
    array.setflags(write=False)
    return array


class FrozenTable:
    """A frozen dataclass of columns: it keeps read-only copies of them, compares by value and shortens long ones in print."""

    __slots__ = ()
    columns: ClassVar[tuple[str, ...]]

    def __post_init__(self) -> None:
        """Freeze the columns."""
        for name in self.columns:
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    def __eq__(self, other: object) -> bool:
        """Whether the other is of the same kind and holds the same values."""
        if self is other:
            return True
        if type(other) is not type(self):
            return NotImplemented
        return all(_same(getattr(self, one.name), getattr(other, one.name)) for one in fields(self))  # type: ignore[arg-type]

    def __hash__(self) -> int:
        """Of all values; of a column its shape and sum, which are quick and know no sign of zero."""
        values = [getattr(self, one.name) for one in fields(self)]  # type: ignore[arg-type]
        told = [(v.shape, float(v.sum())) if isinstance(v, np.ndarray) else v for v in values]
        return hash((type(self), *told))

    def __repr__(self) -> str:
        """Every field; of long columns the ends."""
        told = []
        with np.printoptions(threshold=8, edgeitems=2, linewidth=1000):
            for field_ in fields(self):  # type: ignore[arg-type]
                value = getattr(self, field_.name)
                told.append(f"{field_.name}={value if isinstance(value, np.ndarray) else repr(value)}")
        return f"{type(self).__name__}({', '.join(told)})"


def _same(one: object, other: object) -> bool:
    if isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        return np.array_equal(one, other)
    return one is other or (type(one) is type(other) and one == other)
