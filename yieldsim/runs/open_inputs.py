"""Input files as nouns: what a notebook begins with, and every verb with what it is given."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from yieldsim.base.errors import Problem, refusal, refuse
from yieldsim.base.ranges import Range

if TYPE_CHECKING:
    from yieldsim.base.load_model import LoadPlan, UncertainPlan
    from yieldsim.base.model import Collector, Site
    from yieldsim.base.plans.design import DesignPlan
    from yieldsim.files.toml.context import Loaded

Noun = TypeVar("Noun")


def read_site(path: str | Path) -> Site:
    """The site of a TOML file at a path, every table that it names read with it.

    What the reader has to say of a right file is a Python warning. A verb that is given the path instead keeps the file's
    digest among the sources of its result. Raises InputError with every problem of the files.
    """
    from yieldsim.files.inputs.readers import read_site as read

    return _noun(read, path, "site")


def read_collector(path: str | Path) -> Collector:
    """The collector of a TOML file at a path; a prescription that it names is traced when a verb needs it.

    Warnings as for `read_site`. Raises InputError.
    """
    from yieldsim.files.inputs.readers import read_collector as read

    return _noun(read, path, "collector")


def read_load(path: str | Path) -> LoadPlan:
    """The loads and the store of a TOML file at a path. Warnings as for `read_site`. Raises InputError."""
    from yieldsim.files.inputs.load import read_load as read

    return _noun(read, path, "load")


def read_design(path: str | Path) -> DesignPlan:
    """What `design` and `growth` choose from, of a TOML file at a path. Warnings as for `read_site`. Raises InputError."""
    from yieldsim.files.inputs.design import read_design as read

    return _noun(read, path, "design")


def read_uncertain(path: str | Path) -> UncertainPlan:
    """Which inputs of a budget are uncertain, of a TOML file at a path. Warnings as for `read_site`. Raises InputError."""
    from yieldsim.files.inputs.uncertainty import read_uncertain as read

    return _noun(read, path, "uncertainty")


def _noun(read: Callable[[Path], Loaded[Noun]], path: str | Path, file: str) -> Noun:
    from yieldsim.files.text.paths import path_given

    loaded = read(path_given(path, "path", f"the path of {_a(file)} file"))
    for line in loaded.warnings:
        warnings.warn(line, UserWarning, stacklevel=3)
    return loaded.noun


def given(
    key: str, value: object, kind: type[Noun], read: Callable[[Path], Loaded[Noun]], file: str | None = None
) -> Loaded[Noun]:
    """What a verb is given as a file, or as a noun: the file read, the noun looked at; what has been read before is left as it is.

    key    the verb's argument
    file   what such a file is called, where that is not the key

    Raises InputError with every problem of it.
    """
    from yieldsim.files.text.paths import path_given
    from yieldsim.files.toml.context import Loaded, known

    if isinstance(value, Loaded):
        return value
    if isinstance(value, kind):
        from yieldsim.runs.noun_checks import noun_problems, with_plain_numbers

        refuse(list(noun_problems(value)))
        plain = with_plain_numbers(value)
        return known(plain)
    return read(path_given(value, key, f"the path of {_a(file or key)} file, or {_a(kind.__name__)}"))


def kernel_paths(kernels: str | Path | Sequence[str | Path]) -> list[Path]:
    """The kernels named for a run. Raises InputError for what is no path."""
    from yieldsim.files.text.paths import path_given, several

    allowed = "paths of kernel files"
    return [path_given(kernel, "kernels", allowed) for kernel in several(kernels, "kernels", allowed)]


def refuse_progress(progress: object) -> None:
    """Raise InputError for what can't be called as a run goes."""
    if progress is not None and not callable(progress):
        raise refusal("", "progress", f"is {progress!r:.60}", "a function of (done, of), or None")


def tracker_problems(downtime_fraction: float, stop_hours: float) -> list[Problem]:
    """What is wrong with the standstill of a mount that follows the Sun."""
    rows = (
        ("tracker_downtime_fraction", downtime_fraction, Range(0.0, 1.0)),
        ("tracker_stop_hours", stop_hours, Range(0.0, 1e5)),
    )
    return [
        Problem("", key, f"is {value:g}", allowed.words, allowed.hint(value))
        for key, value, allowed in rows
        if not allowed.holds(value)
    ]


def _a(noun: str) -> str:
    return f"{'an' if noun[0] in 'aeiouAEIOU' else 'a'} {noun}"
