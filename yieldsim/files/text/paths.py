"""Paths in messages, and the rule for a file that another file names.

Paths are relative to the naming file. The named file must lie, once symbolic links and ".." are followed,
under the folder of the file that names it or under the working directory: an input file passed on by a
colleague can't reach into the rest of a disk.
"""

from __future__ import annotations

import os
import reprlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from yieldsim.base.errors import close_word, did_you_mean, refusal

LONGEST_NAME_BYTES, LONGEST_PATH_BYTES = 255, 4095
"""Of one part of a path and of a whole one, on the file systems in use."""
SHOWN_LETTERS = 40


def path_given(given: object, key: str, allowed: str) -> Path:
    """What a program gives as a path. Raises InputError for what is none."""
    if not isinstance(given, str | os.PathLike):
        raise refusal("", key, f"is {reprlib.repr(given)}", allowed)
    return Path(given)


def several(given: Any, key: str, allowed: str) -> list[Any]:
    """What a program gives as a sequence, or as the only one of it. Raises InputError for what is neither."""
    if isinstance(given, str | os.PathLike):
        return [given]
    if not isinstance(given, Iterable):
        raise refusal("", key, f"is {reprlib.repr(given)}", allowed)
    return list(given)


def refuse_name(path: Path | str, key: str = "") -> None:
    """Raise InputError for a path that no file system takes: asked before anything is computed."""
    text = os.fspath(path)
    longest = max(text.split(os.sep), key=lambda part: len(os.fsencode(part)))
    size, whole = len(os.fsencode(longest)), len(os.fsencode(text))
    if size > LONGEST_NAME_BYTES:
        found = f"holds the name {longest[:SHOWN_LETTERS]}... of {size} bytes"
        raise refusal("", key, found, f"up to {LONGEST_NAME_BYTES}")
    if whole > LONGEST_PATH_BYTES:
        raise refusal("", key, f"is a path of {whole} bytes", f"up to {LONGEST_PATH_BYTES}")


def shown(path: Path) -> str:
    """A path as messages show it: relative to the working directory where it lies under it."""
    absolute = os.path.abspath(path)
    here = os.getcwd().rstrip(os.sep) + os.sep
    return absolute.removeprefix(here) if absolute.startswith(here) else str(path)


def named_path(name: str, naming_file: Path) -> Path:
    """Where the file called `name` inside `naming_file` is.

    Raises InputError, its Problem without place and key: the caller knows them.
    """
    if not name.strip() or not name.isprintable():
        raise refusal("", found=f"is {name!r}", allowed="the name of a file")
    folder = naming_file.parent
    try:
        target = (folder / name).resolve()
        roots = (folder.resolve(), Path.cwd().resolve())
        exists, is_folder = target.exists(), target.is_dir()
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise refusal("", found=f'names "{name}", which cannot be followed: {reason}') from None
    if not any(target.is_relative_to(root) for root in roots):
        raise refusal(
            "",
            found=f'names "{name}", which lies outside its folder and the working directory',
            allowed="a file under either",
            hint="copy it there, or run from a folder above both",
        )
    if not exists:
        raise refusal("", found=f'names "{name}", which does not exist', hint=neighbour(target))
    if is_folder:
        raise refusal("", found=f'names "{name}", which is a folder')
    return folder / name


def named_kernel(name: str, naming_file: Path) -> Path:
    """Where the kernel called `name` inside `naming_file` is; a bare name not found beside it as it stands.

    A bare name is looked for later: among the kernels named for the run, in the kernel folders, in the
    installation. Raises InputError, its Problem without place and key.
    """
    is_bare = name not in (".", "..") and Path(name).name == name
    if is_bare and not os.path.lexists(naming_file.parent / name):
        refuse_name(name)
        return Path(name)
    return named_path(name, naming_file).resolve()


CLOSE_NAMES = 0.8
"""Likeness that makes a slip of the keyboard likely: names in a folder share their endings anyway."""


def neighbour(path: Path) -> str:
    """Hint naming a file of nearly the same name in the same folder, or an empty string."""
    try:
        names = [entry.name for entry in path.parent.iterdir() if entry.exists()]
    except OSError:
        return ""
    return did_you_mean(close_word(path.name, names, CLOSE_NAMES))
