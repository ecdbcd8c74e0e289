"""The command line for tests: as a user starts it, and the same words in this process, which spares seconds of imports."""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import subprocess
import sys
from pathlib import Path

from yieldsim.base.errors import YieldsimError
from yieldsim.cli import main
from yieldsim.files.text.bundled import sites_folder

ROOT = Path(__file__).resolve().parents[1]
Done = subprocess.CompletedProcess[str]


def process(*words: str, cwd: Path, **extra: str) -> Done:
    """A process of its own, with more environment variables."""
    environment = {key: value for key, value in os.environ.items() if key != "YIELDSIM_DEBUG"}
    environment |= {"PYTHONPATH": str(ROOT), **extra}
    command = [sys.executable, "-m", "yieldsim", *words]
    return subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True, timeout=300)


def run(*words: str, cwd: Path) -> Done:
    """In this process: status and streams as `process` has them."""
    out, told = io.StringIO(), io.StringIO()
    with contextlib.chdir(cwd), contextlib.redirect_stdout(out), contextlib.redirect_stderr(told):
        try:
            status = main._run(list(words))
        except YieldsimError as error:
            status = main._told(error)
    return Done(words, status, out.getvalue(), told.getvalue())


def with_sites(folder: Path) -> Path:
    """The folder, with the demo's files in its `sites`."""
    shutil.copytree(sites_folder(), folder / "sites")
    return folder
