"""Paths in messages, and the rule for a file that another file names.

Paths are relative to the naming file. The named file must lie, once symbolic links and ".." are followed,
under the folder of the file that names it or under the working directory: an input file passed on by a
colleague can't reach into the rest of a disk.
"""

from __future__ import annotations

import os
from pathlib import Path

from yieldsim.base.errors import InputError, Problem, likely


def shown(path: Path) -> str:
    """A path as messages show it: relative to the working directory where it lies under it."""
    absolute = os.path.abspath(path)
    here = os.getcwd().rstrip(os.sep) + os.sep
    return absolute.removeprefix(here) if absolute.startswith(here) else str(path)


def named_path(name: str, naming_file: Path) -> Path:
    """Where the file called `name` inside `naming_file` is.

    Raises InputError, its Problem without place and key: the caller knows them.
    """
    if not name.strip() or "\x00" in name:
        raise InputError(Problem("", found=f"is {name!r}", allowed="the name of a file"))
    folder = naming_file.parent
    try:
        target = (folder / name).resolve()
        roots = (folder.resolve(), Path.cwd().resolve())
        exists = target.exists()
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(Problem("", found=f'names "{name}", which cannot be followed: {reason}')) from None
    if not any(target.is_relative_to(root) for root in roots):
        raise InputError(
            Problem(
                "",
                found=f'names "{name}", which lies outside its folder and the working directory',
                allowed="a file under either",
                hint="copy it there, or run from a folder above both",
            )
        )
    if not exists:
        raise InputError(Problem("", found=f'names "{name}", which does not exist', hint=neighbour(target)))
    return folder / name


def neighbour(path: Path) -> str:
    """Hint naming a file of nearly the same name in the same folder, or an empty string."""
    try:
        return likely(path.name, [entry.name for entry in path.parent.iterdir()])
    except OSError:
        return ""
