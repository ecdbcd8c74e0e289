"""Results written whole or not at all: into a temporary neighbour, then renamed into place."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from yieldsim.base.errors import InputError, Problem, WriteFailed, refusal
from yieldsim.files.output.result_folder import mend, settle
from yieldsim.files.output.unfinished import PREFIX, clear_abandoned, held
from yieldsim.files.text.paths import refuse_name, shown


@contextlib.contextmanager
def whole_file(path: Path | str) -> Iterator[Path]:
    """A temporary path, in the same folder and with the same suffix, that becomes `path` on success.

    On any failure, an interruption included, the temporary file goes and what was at `path` stays as it was.
    Missing folders above are made. Raises WriteFailed.
    """
    target = Path(path)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        clear_abandoned(target.parent)
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=PREFIX, suffix=target.suffix)
        os.close(handle)
    except (OSError, ValueError) as error:
        raise _failed(target, error) from None
    partial = Path(name)
    try:
        with held(partial):
            yield partial
            settle(partial)
            partial.replace(target)
    except OSError as error:
        raise _failed(target, error) from None


def write_text_whole(path: Path | str, text: str) -> None:
    """Write UTF-8 text with plain line ends. Raises WriteFailed."""
    with whole_file(path) as partial:
        partial.write_text(text, encoding="utf-8", newline="\n")


def write_new_folder(folder: Path | str, files: dict[str, bytes]) -> None:
    """Write several new files into a folder, all of them or none; nothing there is ever replaced.

    Raises InputError when one of them is already there, WriteFailed when the disk refuses.
    """
    target = Path(folder)
    refuse_name(target)
    if target.exists() and not target.is_dir():
        raise refusal(shown(target), found="is a file, not a folder")
    if target.is_dir():
        try:
            mend(target)
        except OSError as error:
            raise _failed(target, error) from None
    there = [name for name in files if os.path.lexists(target / name)]
    if there:
        raise InputError(
            [Problem(shown(target / name), found="is already there and is kept") for name in there]
        )
    made: list[Path] = []
    stage: str | None = None
    try:
        for above in [*reversed(target.parents), target]:
            if not above.exists():
                above.mkdir()
                made.append(above)
        stage = tempfile.mkdtemp(dir=target, prefix=PREFIX)
        for name, content in files.items():
            staged = Path(stage) / name
            staged.write_bytes(content)
            settle(staged)
        for name in files:
            made.append(target / name)
            os.rename(Path(stage) / name, target / name)
        made.clear()
    except OSError as error:
        raise _failed(target, error) from None
    finally:
        if stage is not None:
            shutil.rmtree(stage, ignore_errors=True)
        for path in reversed(made):
            with contextlib.suppress(OSError):
                path.rmdir() if path.is_dir() else path.unlink(missing_ok=True)


def _failed(target: Path, error: Exception) -> WriteFailed:
    reason = getattr(error, "strerror", None) or str(error)
    return WriteFailed(f"cannot write {shown(target)}: {reason.lower()}; what was there before is untouched")


def refuse_table_name(out: Path) -> None:
    """Raise InputError for the name of a table that is too long, a folder, or that a figure beside it would take."""
    refuse_name(out, "--out")
    if out.is_dir():
        raise refusal("--out", found=f"{out} is a folder", allowed="the name of a table")
    if out.suffix.lower() not in (".csv", ".txt"):
        raise refusal("--out", found=f"is {out.name}", allowed="a name ending in .csv")


def refuse_page_name(out: Path) -> None:
    """Raise InputError for the name of a page that is too long, a folder, or without an HTML file's ending."""
    refuse_name(out, "--out")
    if out.is_dir():
        raise refusal("--out", found=f"{out} is a folder", allowed="the name of a page")
    if out.suffix.lower() not in (".html", ".htm"):
        raise refusal("--out", found=f"is {out.name}", allowed="a name ending in .html")
