"""What gathers while an input file and the files that it names are read: problems, warnings, sources."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Generic, TypeVar

from yieldsim.base.errors import InputError, Problem
from yieldsim.base.model import Notes, Source
from yieldsim.files.text.decode import decode, last_changed, read_bytes
from yieldsim.files.text.paths import shown
from yieldsim.files.toml.line_numbers import Path as KeyPath
from yieldsim.files.toml.line_numbers import line_of

Noun = TypeVar("Noun")


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded(Generic[Noun]):
    """A noun read from a file, the files it rests on and what a reader of its results should be told."""

    noun: Noun
    sources: tuple[Source, ...]
    warnings: tuple[str, ...]


def known(noun: Noun) -> Loaded[Noun]:
    """A noun that has been looked at already."""
    return Loaded(noun=noun, sources=(), warnings=())


@dataclass(slots=True)
class Reading:
    """One file being read; the files that it names share its lists.

    lines   of its keys, once it is parsed
    """

    path: Path
    problems: list[Problem] = field(default_factory=list)
    warnings: Notes = field(default_factory=Notes)
    sources: list[Source] = field(default_factory=list)
    lines: dict[KeyPath, int] = field(default_factory=dict)

    @property
    def where(self) -> str:
        """The file as messages show it."""
        return shown(self.path)

    def at(self, *path: str | int) -> str:
        """The file and the line of a key, as messages show them."""
        line = line_of(path, self.lines)
        return f"{self.where} line {line}" if line else self.where

    def inside(self, path: Path) -> Reading:
        """The reading of a file that this one names."""
        return Reading(path, self.problems, self.warnings, self.sources)

    def text(self, role: str) -> str:
        """The file's text; the file becomes a source by its name and hash. Raises InputError."""
        content = read_bytes(self.path)
        digest = hashlib.sha256(content).hexdigest()
        source = Source(role=role, name=self.path.name, sha256=digest, dated=last_changed(self.path))
        if source not in self.sources:
            self.sources.append(source)
        return decode(content, self.where)

    def warn(self, line: str) -> None:
        """Keep a warning, with the name of the file it is about."""
        self.warnings.add(f"{self.path.name}: {line}")

    def finished(self, noun: Noun) -> Loaded[Noun]:
        """The noun with its sources and warnings. Raises InputError with every problem met on the way."""
        self.refuse()
        return Loaded(noun=noun, sources=tuple(self.sources), warnings=tuple(self.warnings.lines))

    def refuse(self) -> None:
        """Raise InputError when there is any problem."""
        if self.problems:
            raise InputError(self.problems)
