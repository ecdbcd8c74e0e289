"""Paths on the command line: a name that no file system takes is refused before anything is computed."""

from __future__ import annotations

import os
from pathlib import Path

import click

from yieldsim.base.errors import InputError, Problem

LONGEST_NAME_BYTES, LONGEST_PATH_BYTES = 255, 4095
"""Of one name and of a whole path, on the file systems in use."""
SHOWN = 40


class PathArgument(click.ParamType):  # type: ignore[type-arg, unused-ignore]
    """A path, given as text; whether a file is there is asked where it is read."""

    name = "path"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """The path. Raises InputError for a name that is too long or holds a zero byte."""
        text = os.fspath(value) if isinstance(value, str | Path) else str(value)
        key = "path"
        if param is not None and ctx is not None:
            is_option = isinstance(param, click.Option)
            key = max(param.opts, key=len) if is_option else param.human_readable_name
        longest = max(text.split(os.sep), key=lambda part: len(os.fsencode(part)))
        size, whole = len(os.fsencode(longest)), len(os.fsencode(text))
        if size > LONGEST_NAME_BYTES or whole > LONGEST_PATH_BYTES:
            what = f"the name {longest[:SHOWN]}... of {size} bytes" if size > LONGEST_NAME_BYTES else "a path"
            found = f"holds {what}" if size > LONGEST_NAME_BYTES else f"is {what} of {whole} bytes"
            most = LONGEST_NAME_BYTES if size > LONGEST_NAME_BYTES else LONGEST_PATH_BYTES
            raise InputError(Problem("", key, found, f"up to {most}"))
        if "\0" in text:
            raise InputError(Problem("", key, "holds a zero byte", "the name of a file or folder"))
        return Path(text)


PATH = PathArgument()
