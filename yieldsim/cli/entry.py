"""Where the `yieldsim` command starts: ready to be stopped before anything else is loaded."""

from __future__ import annotations

import sys
from typing import NoReturn

from yieldsim.cli.terminal.stopping import watch
from yieldsim.cli.terminal.streams import safe_streams


def main() -> NoReturn:
    """Run the command line and leave with its exit status."""
    # first, lest the numbers of closed streams go to other files
    safe_streams()
    watch()
    if "survey" not in sys.argv:
        # looking whether an array is one of dask's imports all of that library, half a second; surveys alone use it
        sys.modules.setdefault("dask", None)  # type: ignore[arg-type]
    from yieldsim.cli.main import main as run

    run()
