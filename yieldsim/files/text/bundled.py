"""Where the files that come with yieldsim are: built-in bodies, demo sites, bundled kernels.

In an installed wheel they lie inside the package; in a checkout (also an editable install) the demo sites
and the kernels lie beside it.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from yieldsim.base.errors import DataMissing, likely, refusal
from yieldsim.files.text.paths import named_path

PACKAGE = Path(__file__).resolve().parents[2]


def bodies_folder() -> Path:
    """Folder of the built-in body files."""
    return PACKAGE / "bodies"


def body_names() -> list[str]:
    """Names of the built-in bodies."""
    return sorted(path.stem for path in bodies_folder().glob("*.toml"))


def body_path(name: str, naming_file: Path) -> Path:
    """File of a built-in body, in any case, or the body file that `name` points to from `naming_file`.

    Raises InputError, its Problem without a place.
    """
    names = body_names()
    if name.lower() in names:
        return bodies_folder() / f"{name.lower()}.toml"
    if "/" not in name and not name.endswith(".toml"):
        allowed = f"{', '.join(names)}, or a path to a body file (.toml)"
        raise refusal("", "body", f"is {name!r}", allowed, likely(name.lower(), names))
    return named_path(name, naming_file)


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


def page_assets(names: Iterable[str]) -> dict[str, str]:
    """Texts of the live page's body, style and scripts, by name. Raises DataMissing when the installation lacks one."""
    folder = PACKAGE / "report" / "page" / "assets"
    try:
        return {name: (folder / name).read_text(encoding="utf-8") for name in names}
    except OSError as error:
        missing = Path(str(error.filename)).name
        raise DataMissing(
            f"{missing} is missing from this installation of yieldsim; install it again"
        ) from None
