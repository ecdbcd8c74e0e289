"""Input files as nouns: what a notebook begins with."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from yieldsim.base.load_model import LoadPlan
    from yieldsim.base.model import Collector, Site
    from yieldsim.files.toml.context import Loaded

Noun = TypeVar("Noun")


def read_site(path: str | Path) -> Site:
    """The site of a TOML file, every table that it names read with it.

    What the reader has to say of a right file is a Python warning. A verb that is given the path instead keeps the file's
    digest among the sources of its result. Raises InputError with every problem of the files.
    """
    from yieldsim.files.inputs.readers import read_site as read

    return _noun(read, path)


def read_collector(path: str | Path) -> Collector:
    """The collector of a TOML file; a prescription that it names is traced when a verb needs it.

    Warnings and errors as for `read_site`.
    """
    from yieldsim.files.inputs.readers import read_collector as read

    return _noun(read, path)


def read_load(path: str | Path) -> LoadPlan:
    """The loads and the store of a TOML file. Warnings and errors as for `read_site`."""
    from yieldsim.files.inputs.load import read_load as read

    return _noun(read, path)


def _noun(read: Callable[[Path], Loaded[Noun]], path: str | Path) -> Noun:
    loaded = read(Path(path))
    for line in loaded.warnings:
        warnings.warn(line, UserWarning, stacklevel=3)
    return loaded.noun
