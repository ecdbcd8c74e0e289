"""Which kernels a run rests on: found, checked, made into an Ephemeris. Nothing is ever downloaded.

Looked through in this order, the first that has a thing for the whole span gives it:
1. kernels named for the run;
2. kernels dropped into a kernel folder: the folder that YIELDSIM_KERNELS names, and ./ephemeris_cache;
3. what comes with the installation: de421.bsp for positions, the DE421 orientation of the Moon.
A kernel of the user's that can't be read stops the run; one that doesn't cover the span is passed over with a
note, or, where nothing else has the thing, named in the error.
"""

from __future__ import annotations

import importlib.util
import os
import reprlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from yieldsim.base.clock import library_time
from yieldsim.base.ephemeris import Ephemeris
from yieldsim.base.errors import DataMissing, InputError, Problem, refusal, refuse
from yieldsim.base.model import Body, Notes, Source
from yieldsim.files.ephemeris.frames import FixedOffset, frame_of, turning_frame
from yieldsim.files.ephemeris.kernel_file import SUFFIXES, Coverage, Kernel, coverage, open_kernel
from yieldsim.files.text.bundled import ephemeris_folder

FOLDER_VARIABLE = "YIELDSIM_KERNELS"
SUN = 10
MOON = 301
LIGHT_TIME_S = 21_600.0
"""Positions are needed this long before the span: light takes under six hours out to 43 au."""
CENTRE_AT_BARYCENTRE = {199: 1, 299: 2, 499: 4}
"""Planets without a moon that matters: their centre is their system's barycentre to within a few metres."""


def open_ephemeris(
    body: Body, start_tdb_s: float, end_tdb_s: float, extra: Iterable[Path | str] = ()
) -> Ephemeris:
    """Positions and orientation for standing on a body during a span, from the kernels at hand.

    extra   kernels named for this run (.bsp, .bpc, .tf)
    Raises InputError for every kernel of the user's that can't be read, DataMissing when nothing covers the
    span.
    """
    shelf = _Shelf(start_tdb_s, end_tdb_s, *_users_kernels(extra))
    sun = shelf.position(SUN)
    place = shelf.position(body.ephemeris_target)
    orbit = place if body.orbit_target is None else shelf.position(body.orbit_target)
    occulters = tuple((occulter, shelf.position(occulter.ephemeris_target)) for occulter in body.occulters)
    orientation = _orientation(body, shelf)
    shelf.refuse_hollow((sun, place, orbit, *(position for _, position in occulters)), orientation)
    for kernel in shelf.named:
        if kernel.source not in shelf.sources:
            shelf.notes.add(f"the kernel {kernel.name} was named, but nothing in this run needs it")
    return Ephemeris(
        start_tdb_s=start_tdb_s,
        end_tdb_s=end_tdb_s,
        sun=sun,
        body=place,
        orbit=orbit,
        occulters=occulters,
        orientation=orientation,
        sources=tuple(shelf.sources),
        notes=tuple(shelf.notes.lines),
    )


@dataclass(eq=False)
class _Shelf:
    """The kernels at hand for a span, and what has been taken from them."""

    start_tdb_s: float
    end_tdb_s: float
    named: tuple[Kernel, ...]
    dropped: tuple[Kernel, ...]
    sources: list[Source] = field(default_factory=list)
    notes: Notes = field(default_factory=Notes)

    @cached_property
    def default_positions(self) -> Kernel:
        """de421.bsp of the skyfield-data package, opened only when wanted."""
        specification = importlib.util.find_spec("skyfield_data")
        for folder in (specification.submodule_search_locations or ()) if specification else ():
            path = Path(folder) / "data" / "de421.bsp"
            if path.is_file():
                return open_kernel(path)
        raise DataMissing(
            "de421.bsp is missing from this installation; install the package skyfield-data again"
        )

    def of_kind(self, kind: str) -> Iterator[Kernel]:
        """The user's kernels of a kind, first those named for the run."""
        return (kernel for kernel in (*self.named, *self.dropped) if kernel.kind == kind)

    def use(self, kernel: Kernel) -> None:
        """Record a kernel among the sources."""
        if kernel.source not in self.sources:
            self.sources.append(kernel.source)

    def position(self, target: int) -> Any:
        """Vector function from the Solar System barycentre to a target, link by link."""
        wanted, position = target, None
        for _ in range(8):
            if wanted == 0:
                return position
            link, wanted = self._link(wanted)
            position = link if position is None else link + position
        raise refusal("kernels", found=f"lead from target {target} in a circle, never to the barycentre")

    def _link(self, target: int) -> tuple[Any, int]:
        """Vector function to a target from its centre, and that centre.

        Of the user's kernels a barycentre comes before the default kernel's centre: ephemerides are not mixed.
        """
        short: list[tuple[Kernel, Coverage]] = []
        for kernels in self._position_kernels():
            for wanted in (target, CENTRE_AT_BARYCENTRE.get(target)):
                for kernel in kernels:
                    segments = [segment for segment in kernel.content.segments if segment.target == wanted]
                    if not segments:
                        continue
                    spans = coverage([segment.spk_segment for segment in segments])
                    if not spans.covers(self.start_tdb_s - LIGHT_TIME_S, self.end_tdb_s):
                        short.append((kernel, spans))
                        continue
                    self._note_choice(target, wanted, kernel, short)
                    self.use(kernel)
                    return self._link_of(segments)
        if short:
            raise DataMissing(self._out_of_range(dict(short)))
        names = ", ".join(kernel.name for kernels in self._position_kernels() for kernel in kernels)
        raise DataMissing(
            f"no kernel at hand has a position of target {target} ({names}); name one that has with --kernel"
        )

    def _link_of(self, segments: Sequence[Any]) -> tuple[Any, int]:
        """The last segment that covers the span alone, else all of one centre together."""
        from skyfield.jpllib import Stack

        for segment in reversed(segments):
            if coverage([segment.spk_segment]).covers(self.start_tdb_s - LIGHT_TIME_S, self.end_tdb_s):
                return segment, segment.center
        return Stack(list(segments)), segments[0].center

    def _note_choice(
        self, target: int, wanted: int | None, kernel: Kernel, passed: Sequence[tuple[Kernel, Coverage]]
    ) -> None:
        for other, spans in passed:
            self.notes.add(
                f"{other.name} covers {_range(spans)} only, so {kernel.name} is used for target {target}"
            )
        if wanted != target:
            self.notes.add(
                f"{kernel.name} has no target {target}; its system's barycentre ({wanted}) stands in for it"
            )

    def _position_kernels(self) -> Iterator[tuple[Kernel, ...]]:
        """The user's kernels, then the default one, which is opened only when it is asked for."""
        yield tuple(self.of_kind("positions"))
        yield (self.default_positions,)

    def _out_of_range(self, short: Mapping[Kernel, Coverage]) -> str:
        start, end = _date(self.start_tdb_s), _date(self.end_tdb_s)
        days = max((self.end_tdb_s - self.start_tdb_s) / 86_400.0, 1.0)
        parts = []
        for kernel, spans in short.items():
            outside = min(spans.missing_s(self.start_tdb_s - LIGHT_TIME_S, self.end_tdb_s) / 86_400.0, days)
            parts.append(
                f"{kernel.name} covers {_range(spans)}, {outside:.0f} of {days:.0f} days fall outside"
            )
        return (
            f"{start} to {end} can't be computed: {'; '.join(parts)}; shorten the span or name a longer "
            "ephemeris with --kernel"
        )

    def refuse_hollow(self, positions: Sequence[Any], orientation: Any) -> None:
        """Raise InputError when a kernel's answer at a sample of the span isn't a number."""
        t = library_time(np.linspace(self.start_tdb_s, self.end_tdb_s, 33))
        values = [position.at(t).xyz.au for position in positions]
        if orientation is not None:
            values.append(orientation.rotation_at(t))
        if not all(np.isfinite(value).all() for value in values):
            names = ", ".join(source.name for source in self.sources)
            raise refusal(names, found="is damaged: it holds values that are not numbers")


def _orientation(body: Body, shelf: _Shelf) -> Any:
    """The turning frame by the body's orientation kernel, or None where the rotation elements must do."""
    wanted = body.orientation_kernel
    if wanted is None:
        return None
    default_frames = _bundled(wanted.frame_file, shelf)
    default_binary = _bundled(wanted.binary_file, shelf)
    short: list[tuple[Kernel, Coverage]] = []
    for frames in (*shelf.of_kind("frames"), default_frames):
        offset = _offset(frames, wanted.frame)
        if offset is None or offset.centre != body.ephemeris_target:
            continue
        for binary in (*shelf.of_kind("orientation"), default_binary):
            segments = [segment for segment in binary.content.segments if segment.body == offset.class_id]
            if not segments:
                continue
            spans = coverage(segments)
            if spans.covers(shelf.start_tdb_s, shelf.end_tdb_s):
                shelf.use(frames)
                shelf.use(binary)
                return turning_frame(offset, segments)
            short.append((binary, spans))
    if not short:
        raise DataMissing(
            f"no orientation kernel at hand has the frame {wanted.frame} of {body.name}; name its .tf "
            "and .bpc with --kernel"
        )
    kernel, spans = short[-1]
    size = ", within 0.0051 deg of the kernel" if body.ephemeris_target == MOON else ""
    shelf.notes.add(
        f"{kernel.name} covers {_range(spans)}, not all of {_date(shelf.start_tdb_s)} to "
        f"{_date(shelf.end_tdb_s)}: the rotation elements of {body.name} are used over the whole span{size}"
    )
    return None


def _offset(frames: Kernel, name: str) -> FixedOffset | None:
    """The frame of that name, or of its name without the ephemeris (MOON_ME for MOON_ME_DE421)."""
    found = frame_of(frames, name)
    return found if found is not None else frame_of(frames, name.split("_DE")[0])


def _users_kernels(extra: Iterable[Path | str]) -> tuple[tuple[Kernel, ...], tuple[Kernel, ...]]:
    """Kernels named for the run and those in the folders. Raises InputError with every unreadable one."""
    problems: list[Problem] = []
    seen: set[Path] = set()

    def opened(paths: Iterable[Path]) -> tuple[Kernel, ...]:
        kernels = []
        for path in paths:
            if path.resolve() not in seen:
                seen.add(path.resolve())
                try:
                    kernels.append(open_kernel(path))
                except InputError as error:
                    problems.extend(error.problems)
        return tuple(kernels)

    named = opened(Path(path) for path in extra)
    bundled = {path.name for path in ephemeris_folder().iterdir()}
    dropped = opened(
        path
        for folder in _folders()
        for path in sorted(folder.iterdir())
        if path.suffix.lower() in SUFFIXES and path.name not in bundled
    )
    refuse(problems)
    return named, dropped


def _folders() -> list[Path]:
    """The kernel folders that exist. Raises InputError when YIELDSIM_KERNELS names none."""
    folders = []
    given = os.environ.get(FOLDER_VARIABLE)
    if given:
        try:
            is_folder = Path(given).is_dir()
        except (OSError, ValueError):
            is_folder = False
        if not is_folder:
            found = f"names {reprlib.repr(given)}"
            raise refusal(FOLDER_VARIABLE, found=found, allowed="a folder of kernels")
        folders.append(Path(given))
    local = Path("ephemeris_cache")
    return [*folders, local] if local.is_dir() else folders


def _bundled(name: str, shelf: _Shelf) -> Kernel:
    """A kernel by its file name: the user's, in the folders, or the installation's; or by its path.

    A path has been held to the rule for named files where the body file was read. Raises DataMissing.
    """
    if Path(name).is_absolute():
        return open_kernel(Path(name))
    for kernel in (*shelf.named, *shelf.dropped):
        if kernel.name == name:
            return kernel
    folders = [*_folders(), ephemeris_folder()]
    for folder in folders:
        path = folder / name
        # a name may not lead out of its folder, by dots or by a link
        if path.resolve().is_relative_to(folder.resolve()) and path.is_file():
            return open_kernel(path)
    raise DataMissing(
        f"{name} is in none of the kernel folders ({', '.join(str(folder) for folder in folders)})"
    )


def kernel_words(path: Path) -> str:
    """One line about a kernel: what it holds, of which bodies, for which days. Raises InputError."""
    kernel = open_kernel(path)
    if kernel.kind == "frames":
        names = sorted(
            name for name in kernel.content if name.startswith("FRAME_") and not name[6:7].isdigit()
        )
        return f"kernel of frames, {', '.join(name.removeprefix('FRAME_') for name in names)}"
    if kernel.kind == "orientation":
        return f"kernel of orientation, {_range(coverage(kernel.content.segments))}"
    targets = ", ".join(str(target) for target in sorted({one.target for one in kernel.content.segments}))
    spans = coverage([one.spk_segment for one in kernel.content.segments])
    return f"kernel of positions, targets {targets}, {_range(spans)}"


def _range(spans: Coverage) -> str:
    return f"{_date(spans.first_s)} to {_date(spans.last_s)}"


def _date(tdb_s: float) -> str:
    """Day of a moment, to the nearest minute of UTC (the minute between TDB and UTC apart)."""
    minutes = round(tdb_s / 60.0)
    return str((np.datetime64("2000-01-01T12:00") + np.timedelta64(minutes, "m")).astype("datetime64[D]"))
