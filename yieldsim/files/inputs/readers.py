"""Sites, collectors and bodies: from TOML files and the tables they name to frozen nouns."""

from __future__ import annotations

from pathlib import Path

from yieldsim.base.model import Body, Collector, Site
from yieldsim.files.inputs.site import body_of, site_of
from yieldsim.files.text.bundled import body_path
from yieldsim.files.toml.context import Loaded, Reading


def read_site(path: Path | str) -> Loaded[Site]:
    """A site file with its body and tables. Raises InputError with every problem of all of them."""
    reading = Reading(Path(path))
    return reading.finished(site_of(reading))


def read_collector(path: Path | str) -> Loaded[Collector]:
    """A collector file with its tables. Raises InputError with every problem of all of them."""
    # what a skyline has no need of: 0.1 s of the command
    from yieldsim.files.inputs.collector import collector_of

    reading = Reading(Path(path))
    return reading.finished(collector_of(reading))


def read_body(name_or_path: Path | str, beside: Path | str | None = None) -> Loaded[Body]:
    """A built-in body by name, in any case, or a body file.

    beside   folder that a relative path starts from; the working directory when None
    Raises InputError with every problem of the file, or for a name that is neither.
    """
    folder = Path.cwd() if beside is None else Path(beside)
    reading = Reading(body_path(str(name_or_path), folder / "argument"))
    return reading.finished(body_of(reading))
