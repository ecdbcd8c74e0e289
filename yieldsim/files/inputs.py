"""Sites, collectors and bodies: from TOML files and their tables to frozen nouns."""

from __future__ import annotations

from pathlib import Path

from yieldsim.base.errors import InputError, Problem, likely
from yieldsim.base.nouns import Body
from yieldsim.files.body_model import BodyFile
from yieldsim.files.bundled import bodies_folder, body_names
from yieldsim.files.named_paths import named_path
from yieldsim.files.reading import Loaded, Reading
from yieldsim.files.toml_inputs import parse_toml


def read_body(name_or_path: str | Path, beside: Path | None = None) -> Loaded[Body]:
    """A built-in body by name, in any case, or a body file.

    beside   folder that a relative path starts from; the working directory when None.
    Raises InputError with every problem of the file, or for a name that is neither.
    """
    folder = Path.cwd() if beside is None else Path(beside)
    reading = Reading(body_path(str(name_or_path), folder / "argument"))
    return reading.finished(body_of(reading))


def body_path(name: str, naming_file: Path) -> Path:
    """File of a built-in body, or the body file that `name` points to from `naming_file`.

    Raises InputError, its Problem without a place.
    """
    names = body_names()
    if name.lower() in names:
        return bodies_folder() / f"{name.lower()}.toml"
    if "/" not in name and not name.endswith(".toml"):
        allowed = f"{', '.join(names)}, or a path to a body file (.toml)"
        raise InputError(
            Problem("", "body", f'is "{name}"', allowed=allowed, hint=likely(name.lower(), names))
        )
    return named_path(name, naming_file)


def body_of(reading: Reading) -> Body:
    """The body in the reading's file. Raises InputError."""
    return parse_toml(reading, BodyFile, "body").noun()
