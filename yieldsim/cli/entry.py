"""Where the `yieldsim` command starts: ready to be stopped before anything else is loaded."""

from __future__ import annotations

import gc
import os
import sys
from typing import NoReturn

from yieldsim.cli.terminal.stopping import watch
from yieldsim.cli.terminal.streams import safe_streams

SHARING = ("survey", "design", "growth")
YOUNG_OBJECTS = 200_000
"""Made since the last look for garbage in circles, at which the next is due. Libraries make as many while they load, no garbage
among them; the default, 700, costs 0.1 s of a command."""


def main() -> NoReturn:
    """Run the command line and leave with its exit status."""
    # first, lest the numbers of closed streams go to other files
    safe_streams()
    watch()
    if not shares_out(sys.argv):
        # looking whether an array is one of dask's imports all of that library, half a second
        sys.modules.setdefault("dask", None)  # type: ignore[arg-type]
    # or the threads of compiled loops, once they are done, would turn on the processors for a while, 0.6 s of an estimate
    os.environ.setdefault("OMP_WAIT_POLICY", "passive")
    gc.set_threshold(YOUNG_OBJECTS)
    from yieldsim.cli.main import main as run

    try:
        run()
    finally:
        # or the interpreter would look through all that the libraries hold as it ends, 0.3 s
        gc.freeze()


def shares_out(words: list[str]) -> bool:
    """Whether a command may use the library that shares work out: surveys, designs and growth always, others when they are told to.

    >>> shares_out(["yieldsim", "rank", "a.toml"]), shares_out(["yieldsim", "rank", "a.toml", "--workers=4"])
    (False, True)
    """
    return any(word in SHARING or word.startswith(("--workers", "--scheduler")) for word in words)
