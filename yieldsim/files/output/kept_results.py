"""Results of the parts of a long run, kept until it is done: an interrupted one goes on where it stopped.

Their folder is named after everything that they depend on.
"""

from __future__ import annotations

import contextlib
import json
import shutil
from pathlib import Path
from typing import Any

from yieldsim.files.output.atomic_write import write_text_whole
from yieldsim.files.text.decode import decode, read_bytes


class Kept:
    """Results by name in a folder; None as the folder: nothing is kept."""

    def __init__(self, folder: Path | None) -> None:
        """The folder is made when something is first kept."""
        self._folder, self._made_parent = folder, False

    def get(self, name: str) -> dict[str, Any] | None:
        """What was kept; None where nothing was, or nothing that can be read."""
        if self._folder is None or not (self._folder / name).is_file():
            return None
        try:
            found = json.loads(decode(read_bytes(self._folder / name), name))
        except Exception:  # a damaged file fails in many ways; each means: compute it again
            return None
        return found if isinstance(found, dict) else None

    def put(self, name: str, value: dict[str, Any]) -> None:
        """Keep a result."""
        if self._folder is not None:
            self._made_parent |= not self._folder.parent.exists()
            write_text_whole(self._folder / name, json.dumps(value))

    def clear(self) -> None:
        """The run is done: nothing of it is needed any more."""
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            if self._made_parent:
                # empty, unless results have come into it
                with contextlib.suppress(OSError):
                    self._folder.parent.rmdir()
