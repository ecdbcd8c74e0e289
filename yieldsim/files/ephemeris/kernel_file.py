"""One SPICE kernel file, opened and checked: positions (DAF/SPK), orientation (DAF/PCK) or frames (text FK).

What a file is shows in its first bytes, not in its name. A truncated, damaged or foreign file is one clear
InputError; nothing of it is used.
"""

from __future__ import annotations

import math
import weakref
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from yieldsim.base.errors import InputError, refusal
from yieldsim.base.model import Source
from yieldsim.files.ephemeris.spk_segments import STATE_TYPES, StateSegment
from yieldsim.files.output.provenance import KERNEL_ROLE, file_source
from yieldsim.files.text.decode import opened
from yieldsim.files.text.paths import shown

SUFFIXES = (".bsp", ".bpc", ".tf")
RECORD = 1024
WORD = 8
J2000_FRAME = 1
CHEBYSHEV_TYPES = (2, 3)
READABLE_TYPES = {"positions": (*CHEBYSHEV_TYPES, *STATE_TYPES), "orientation": (2,)}
ALLOWED = "a SPICE kernel: DAF/SPK (.bsp), DAF/PCK (.bpc) or text KPL/FK (.tf)"


@dataclass(frozen=True, eq=False)
class Kernel:
    """A checked kernel. kind: "positions", "orientation" or "frames"."""

    path: Path
    kind: str
    content: Any = field(repr=False)
    """Positions, jplephem PCK, or the variables of a frame file."""

    @property
    def name(self) -> str:
        """File name."""
        return self.path.name

    @cached_property
    def source(self) -> Source:
        """The file with its SHA-256."""
        return file_source(self.path, KERNEL_ROLE, self.kind)


class Positions:
    """The segments of a positions kernel as the library's vector functions."""

    def __init__(self, path: Path) -> None:
        """Open the file. Raises ValueError for a segment whose numbers contradict each other."""
        from jplephem.spk import SPK
        from skyfield.jpllib import SPICESegment

        self.path = str(path)
        self.spk = SPK(_array_file(path))
        self.segments = [
            SPICESegment(self, segment) if segment.data_type in CHEBYSHEV_TYPES else StateSegment(segment)
            for segment in self.spk.segments
        ]


@dataclass(frozen=True, slots=True)
class Coverage:
    """First and last second (TDB past J2000) of some segments taken together; gaps count as not covered."""

    spans: tuple[tuple[float, float], ...]

    def missing_s(self, start_s: float, end_s: float) -> float:
        """How much of a span lies outside, seconds; 0 for all inside."""
        outside, at = 0.0, start_s
        for first, last in sorted(self.spans):
            if first > at:
                outside += min(first, end_s) - at
                at = min(first, end_s)
            at = max(at, min(last, end_s))
        return outside + max(0.0, end_s - at)

    def covers(self, start_s: float, end_s: float) -> bool:
        """Whether every moment of the span is inside."""
        return (
            bool(self.spans)
            and self.missing_s(start_s, end_s) == 0.0
            and self.holds(start_s)
            and self.holds(end_s)
        )

    def holds(self, second: float) -> bool:
        """Whether a moment is inside."""
        return any(first <= second <= last for first, last in self.spans)

    @property
    def first_s(self) -> float:
        """Beginning of the earliest segment."""
        return min(first for first, _ in self.spans)

    @property
    def last_s(self) -> float:
        """End of the latest segment."""
        return max(last for _, last in self.spans)


def open_kernel(path: Path) -> Kernel:
    """Open and check a kernel of any of the three kinds. Raises InputError."""
    with opened(path) as file:
        head = file.read(RECORD)
    where = shown(path)
    _refuse_foreign(where, head)
    try:
        if head.startswith(b"KPL/FK"):
            return Kernel(path, "frames", _frames(path))
        kind, segments = _daf(path, where)
        _check_segments(where, kind, segments)
        return Kernel(path, kind, _reader(path, kind))
    except InputError:
        raise
    # whatever the libraries raise when they are given damaged bytes
    except Exception as error:
        reason = str(error) or type(error).__name__
        raise refusal(where, found=f"is damaged: {reason}", allowed=ALLOWED, hint="fetch it again") from error


def coverage(segments: Sequence[Any]) -> Coverage:
    """What jplephem segments of either kind cover together."""
    return Coverage(tuple(segment_span_s(segment) for segment in segments))


def segment_span_s(segment: Any) -> tuple[float, float]:
    """First and last second of a jplephem segment, which the two kinds of file name differently."""
    if hasattr(segment, "start_second"):
        return float(segment.start_second), float(segment.end_second)
    return float(segment.initial_second), float(segment.final_second)


def _refuse_foreign(where: str, head: bytes) -> None:
    """Raise InputError for a file whose first bytes are of no kernel that can be read."""
    if head.startswith(b"KPL/FK"):
        return
    if head.startswith(b"KPL/"):
        found = f"is a text kernel of the kind {head[:8].split()[0].decode('ascii', 'replace')}"
        raise refusal(where, found=found, allowed=ALLOWED, hint="rotation elements go into a body file")
    if head.startswith(b"DAFETF"):
        found = "is a kernel in transfer format"
        raise refusal(where, found=found, allowed=ALLOWED, hint="convert it to binary")
    if not head.startswith((b"DAF/SPK", b"DAF/PCK", b"NAIF/DAF")):
        raise refusal(where, found="is not a SPICE kernel", allowed=ALLOWED)


def _daf(path: Path, where: str) -> tuple[str, list[tuple[Any, ...]]]:
    """Kind and segment descriptors of a DAF file whose summary records and arrays all lie inside the file.

    Raises ValueError, and InputError for a file of another kind.
    """
    from jplephem.daf import DAF

    size = path.stat().st_size
    with path.open("rb") as file:
        daf = DAF(file)
        kind = {6: "positions", 5: "orientation"}.get(daf.ni)
        expected = {b"DAF/SPK": 6, b"DAF/PCK": 5}.get(daf.locidw, daf.ni)
        if daf.nd != 2 or kind is None or daf.ni != expected:
            raise refusal(where, found="is a DAF file of another kind", allowed=ALLOWED)
        if (daf.free - 1) * WORD > size:
            least = (daf.free - 1) * WORD
            raise ValueError(f"it has {size} bytes and should have at least {least}: it is cut short")
        segments: list[tuple[Any, ...]] = []
        record, seen = daf.fward, 0
        while record:
            seen += 1
            if record < 1 or (record + 1) * RECORD > size or seen * RECORD > size:
                raise ValueError("its list of segments leads out of the file")
            data = daf.read_record(record)
            following, _, count = daf.summary_control_struct.unpack(data[:24])
            if not (
                0 <= count <= daf.summaries_per_record
                and float(count).is_integer()
                and math.isfinite(following)
            ):
                raise ValueError("its list of segments is garbled")
            for i in range(int(count)):
                begin = 24 + i * daf.summary_step
                segments.append(daf.summary_struct.unpack(data[begin : begin + daf.summary_length]))
            record = int(following)
        for *_, first_word, last_word in segments:
            if not 1 <= first_word < last_word < daf.free:
                raise ValueError("a segment reaches beyond the end of the data")
    if not segments:
        raise ValueError("it holds no segment")
    return kind, segments


def _check_segments(where: str, kind: str, segments: list[tuple[Any, ...]]) -> None:
    """Raise InputError for segments of a type or frame that can't be read."""
    for segment in segments:
        frame, data_type = segment[-4], segment[-3]
        allowed = ", ".join(str(known) for known in sorted(READABLE_TYPES[kind]))
        if data_type not in READABLE_TYPES[kind]:
            raise refusal(where, found=f"holds a segment of type {data_type}", allowed=f"types {allowed}")
        if frame != J2000_FRAME:
            raise refusal(where, found=f"refers to the base frame {frame}", allowed="1 (J2000 / ICRF)")
        if not (math.isfinite(segment[0]) and math.isfinite(segment[1]) and segment[0] < segment[1]):
            raise refusal(where, found="is damaged: a segment ends before it begins")


def _reader(path: Path, kind: str) -> Any:
    """The library's reader over the file; every segment's directory must agree with its length and span. Raises ValueError."""
    from jplephem.pck import PCK

    content: Any = Positions(path) if kind == "positions" else PCK(_array_file(path))
    daf = content.spk.daf if kind == "positions" else content.daf
    for segment in content.spk.segments if kind == "positions" else content.segments:
        if segment.data_type not in CHEBYSHEV_TYPES:
            continue
        begin_s, step_s, words, count = daf.read_array(segment.end_i - 3, segment.end_i)
        first_s, last_s = segment_span_s(segment)
        length = segment.end_i - segment.start_i - 3
        if not (
            np.isfinite([begin_s, step_s, words, count]).all() and words * count == length and step_s > 0.0
        ):
            raise ValueError("a segment's directory does not match its length")
        if begin_s > first_s or begin_s + step_s * count < last_s:
            raise ValueError("a segment holds less than it says it covers")
    return content


def _array_file(path: Path) -> Any:
    """The file as the library reads its arrays: open for as long as anything made of it lives, closed with the last."""
    from jplephem.daf import DAF

    file = path.open("rb")
    try:
        daf = DAF(file)
    except BaseException:
        file.close()
        raise
    weakref.finalize(daf, file.close)
    return daf


def _frames(path: Path) -> dict[str, Any]:
    """The variables of a text frame kernel. Raises ValueError."""
    from skyfield.planetarylib import PlanetaryConstants

    constants = PlanetaryConstants()
    with path.open("rb") as file:
        constants.read_text(file)
    if not any(name.startswith("FRAME_") for name in constants.variables):
        raise ValueError("it defines no frame")
    return dict(constants.variables)
