"""Folders of results that change as one: staged, marked finished in one step, then moved into place.

The one step is a rename: before it nothing of the run counts, after it all does. What a process that was killed among the moves
left to do is done at the next start, before anything reads or writes there.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from yieldsim.base.errors import WriteFailed, refusal
from yieldsim.files.output.unfinished import PREFIX, clear_abandoned, held, locked
from yieldsim.files.text.paths import refuse_name, shown

FINISHED = ".finished."


def refuse_file(folder: Path) -> None:
    """Raise InputError for a file where a folder for results is wanted, WriteFailed where none can be made or written into: also
    asked before a long run."""
    refuse_name(folder, "--out")
    try:
        is_file = folder.exists() and not folder.is_dir()
        there = next(place for place in (folder, *folder.absolute().parents) if place.exists())
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        found = f"can't be a folder for results: {reason.lower()}"
        raise refusal(shown(folder), found=found, hint="name another one with --out") from None
    if is_file:
        raise refusal(shown(folder), found="is a file, not a folder for results")
    if not there.is_dir():
        raise refusal(shown(folder), found=f"can't be a folder for results: {shown(there)} is a file")
    if not os.access(there, os.W_OK | os.X_OK):
        raise WriteFailed(f"cannot write into {shown(there)}: permission denied")


@contextlib.contextmanager
def staged_folder(folder: Path | str) -> Iterator[Path]:
    """A temporary folder whose files move into `folder` together on success and vanish on failure. Raises WriteFailed.

    Files of other names already in `folder` stay; those of the same names are replaced only at the end.
    """
    target = Path(folder)
    refuse_file(target)
    try:
        target.mkdir(parents=True, exist_ok=True)
        mend(target)
        stage = Path(tempfile.mkdtemp(dir=target, prefix=PREFIX))
    except OSError as error:
        raise _failed(target, error) from None
    try:
        with held(stage):
            yield stage
            publish(stage, target)
    except OSError as error:
        raise _failed(target, error) from None


def publish(stage: Path, target: Path) -> None:
    """Move all files of a stage into its folder, as one. Raises InputError where a folder is in the way, OSError."""
    files = sorted(stage.iterdir())
    for file in files:
        settle(file)
        if (target / file.name).is_dir():
            raise refusal(shown(target / file.name), found="is a folder where a result shall go")
    with locked(target):
        _move_finished(target)
        finished = target / (FINISHED + stage.name.removeprefix(PREFIX))
        stage.rename(finished)
        try:
            _move(finished, target)
        except KeyboardInterrupt:
            _move(finished, target)
            raise


def mend(folder: Path) -> None:
    """Finish what a killed process left to move, and clear what it left unfinished. Raises OSError."""
    if any(folder.glob(f"{FINISHED}*")):
        with locked(folder):
            _move_finished(folder)
    clear_abandoned(folder)


def settle(path: Path) -> None:
    """Give the file the rights an ordinary new file has, and see it on the disk before it is renamed."""
    umask = os.umask(0)
    os.umask(umask)
    path.chmod(0o666 & ~umask)
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _move_finished(target: Path) -> None:
    for finished in sorted(target.glob(f"{FINISHED}*")):
        _move(finished, target)


def _move(finished: Path, target: Path) -> None:
    for file in sorted(finished.iterdir()):
        os.replace(file, target / file.name)
    finished.rmdir()


def _failed(target: Path, error: OSError) -> WriteFailed:
    return WriteFailed(f"cannot write into {shown(target)}: {(error.strerror or str(error)).lower()}")


def write_image(content: bytes, path: Path) -> None:
    """A finished page or picture."""
    path.write_bytes(content)
