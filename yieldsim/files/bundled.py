"""Where the files that come with yieldsim are: built-in bodies, demo sites, bundled kernels.

In an installed wheel they lie inside the package; in a checkout (also an editable install) the demo sites
and the kernels lie beside it.
"""

from __future__ import annotations

from pathlib import Path

from yieldsim.base.errors import DataMissing

PACKAGE = Path(__file__).resolve().parent.parent


def bodies_folder() -> Path:
    """Folder of the built-in body files."""
    return PACKAGE / "bodies"


def body_names() -> list[str]:
    """Names of the built-in bodies."""
    return sorted(path.stem for path in bodies_folder().glob("*.toml"))


def sites_folder() -> Path:
    """Folder of the demo sites, collectors and loads. Raises DataMissing when the installation lacks it."""
    return _folder("sites")


def ephemeris_folder() -> Path:
    """Folder of the bundled kernels. Raises DataMissing when the installation lacks it."""
    return _folder("ephemeris_cache")


def _folder(name: str) -> Path:
    for folder in (PACKAGE / name, PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise DataMissing(f"the folder {name} is missing from this installation of yieldsim; install it again")
