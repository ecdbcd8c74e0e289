"""From a frame file and a binary orientation kernel to a turning body-fixed frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from yieldsim.base.constants import J2000_JD, SECONDS_PER_DAY
from yieldsim.base.errors import InputError, refusal
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.files.ephemeris.kernel_file import Kernel, segment_span_s
from yieldsim.files.text.paths import shown

BINARY_CLASS, FIXED_CLASS = 2, 4
"""Frame classes: by binary orientation kernel, and at fixed angles to another frame."""
ORTHOGONAL = 1e-6
"""How far a matrix written with few digits may be from a rotation."""


@dataclass(frozen=True, slots=True, eq=False)
class FixedOffset:
    """A frame of a frame file: turned by `matrix` from the binary-kernel frame of number `class_id`."""

    centre: int
    class_id: int
    matrix: FloatArray


def frame_of(kernel: Kernel, name: str) -> FixedOffset | None:
    """The frame of that name in a frame file, through the frames it is fixed to; None where undefined.

    Source: NAIF, Frames Required Reading, "TK frames": angles a1, a2, a3 about axes i, j, k mean that
    [a1]_i [a2]_j [a3]_k takes vectors from the frame to the one it is relative to.
    Raises InputError when the file defines it only in part.
    """
    variables = kernel.content
    number = variables.get(f"FRAME_{name}")
    if number is None:
        return None
    matrix = np.identity(3)
    try:
        for _ in range(8):
            kind = variables[f"FRAME_{number}_CLASS"]
            if kind == BINARY_CLASS:
                return FixedOffset(
                    int(variables[f"FRAME_{number}_CENTER"]),
                    int(variables[f"FRAME_{number}_CLASS_ID"]),
                    matrix,
                )
            if kind != FIXED_CLASS:
                break
            matrix = matrix @ _from_relative(variables, number)
            if not np.allclose(matrix @ matrix.T, np.identity(3), rtol=0.0, atol=ORTHOGONAL):
                raise _unusable(kernel, name, "its angles or matrix make no rotation")
            number = variables["FRAME_" + variables[f"TKFRAME_{number}_RELATIVE"]]
    except (KeyError, IndexError, TypeError, ValueError, OverflowError) as error:
        raise _unusable(kernel, name, f"{type(error).__name__.lower()} at {error}") from None
    raise _unusable(kernel, name, "it leads to no frame of class 2 (binary orientation kernel)")


def _from_relative(variables: dict[str, Any], number: int) -> FloatArray:
    """Matrix from the relative frame to the fixed one."""
    from skyfield.functions import rot_x, rot_y, rot_z

    specification = variables[f"TKFRAME_{number}_SPEC"]
    if specification == "MATRIX":
        return np.array(variables[f"TKFRAME_{number}_MATRIX"], dtype=np.float64).reshape(3, 3)
    if specification != "ANGLES":
        raise ValueError(f"specification {specification}")
    unit = {"ARCSECONDS": np.pi / 648_000.0, "DEGREES": np.pi / 180.0, "RADIANS": 1.0}
    scale = unit[variables[f"TKFRAME_{number}_UNITS"]]
    matrix = np.identity(3)
    angles, axes = variables[f"TKFRAME_{number}_ANGLES"], variables[f"TKFRAME_{number}_AXES"]
    for angle, axis in zip(angles, axes, strict=True):
        matrix = (rot_x, rot_y, rot_z)[axis - 1](angle * scale) @ matrix
    return matrix


def _unusable(kernel: Kernel, name: str, reason: str) -> InputError:
    return refusal(shown(kernel.path), found=f"does not define the frame {name} completely: {reason}")


class SegmentChain:
    """Several segments of an orientation kernel as one: at each moment the last one that holds it answers.

    The library's own reader keeps only the last segment of a file, whatever the date.
    """

    def __init__(self, segments: Sequence[Any]) -> None:
        """Keep jplephem segments, in the order of the file."""
        self.segments = tuple(segments)

    def compute(self, tdb: Any, tdb2: Any, derivative: bool) -> Any:
        """Three angles (and rates per second) at a Julian date in two parts, as jplephem's segments do."""
        whole, part = np.broadcast_arrays(
            np.asarray(tdb, dtype=np.float64), np.asarray(tdb2, dtype=np.float64)
        )
        if len(self.segments) == 1 or not whole.shape:
            return self._holding(float(np.min(whole + part))).compute(whole, part, derivative)
        second = ((whole - J2000_JD) + part) * SECONDS_PER_DAY
        chosen = np.full(whole.shape, -1)
        for i, segment in enumerate(self.segments):
            first_s, last_s = segment_span_s(segment)
            chosen[(first_s <= second) & (second <= last_s)] = i
        values = np.empty((2 if derivative else 1, 3, *whole.shape))
        for i in np.unique(chosen):
            here = chosen == i
            values[:, :, here] = self.segments[i].compute(whole[here], part[here], derivative)
        return values if derivative else values[0]

    def _holding(self, date: float) -> Any:
        second = (date - J2000_JD) * SECONDS_PER_DAY
        for segment in reversed(self.segments):
            first_s, last_s = segment_span_s(segment)
            if first_s <= second <= last_s:
                return segment
        return self.segments[-1]


def turning_frame(offset: FixedOffset, segments: Sequence[Any]) -> Any:
    """The library's frame (rotation_at, rotation_and_rate_at) over segments that cover the span wanted."""
    from skyfield.planetarylib import Frame

    return Frame(offset.centre, SegmentChain(segments), offset.matrix)
