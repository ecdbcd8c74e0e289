"""The tree of errors. Each holds fields and words itself last; the command line maps kinds to exit codes.

YieldsimError
  InputError      a file or argument is wrong                      exit 2
  DataMissing     a kernel, raster or table does not cover it      exit 1
  CannotCompute   no solution, not converged                       exit 1
  WriteFailed     a result could not be written                    exit 1
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from types import TracebackType


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with an input: where it is, which key, what was found, what is allowed, a hint."""

    where: str
    key: str = ""
    found: str = ""
    allowed: str = ""
    hint: str = ""

    def __str__(self) -> str:
        """Word the problem on one line: place first, hint last."""
        text = f"{self.where}: " if self.where else ""
        text += f"{self.key} {self.found}".strip()
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        if self.hint:
            text += f" ({self.hint})"
        return text


class YieldsimError(Exception):
    """Root of every error that a user may see."""

    exit_status = 1


class InputError(YieldsimError):
    """A file or an argument is wrong. Carries every problem found, not just the first."""

    exit_status = 2

    def __init__(self, problems: Problem | Sequence[Problem]) -> None:
        """Keep the problems; the text is one line each."""
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Problem, ...]]]:
        """Made again from its problems: it travels from workers on other machines."""
        return type(self), (self.problems,)


def refusal(where: str = "", key: str = "", found: str = "", allowed: str = "", hint: str = "") -> InputError:
    """The InputError of a single problem, in the words of `Problem`."""
    return InputError(Problem(where, key, found, allowed, hint))


def refuse(problems: Sequence[Problem]) -> None:
    """Raise InputError where there is any problem."""
    if problems:
        raise InputError(problems)


class Gathered:
    """Several checks whose problems are told together: each runs in a `with` block of its own, then `refuse`.

    >>> gathered = Gathered()
    >>> for key in ("start", "years"):
    ...     with gathered:
    ...         raise InputError(Problem("", key, "is wrong"))
    >>> [str(problem) for problem in gathered.problems]
    ['start is wrong', 'years is wrong']
    """

    def __init__(self) -> None:
        """Nothing is wrong yet."""
        self.problems: list[Problem] = []

    def __enter__(self) -> None:
        """A check begins."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool:
        """Keep what an InputError tells, each problem once; let any other error pass."""
        if not isinstance(error, InputError):
            return False
        self.problems.extend(one for one in error.problems if one not in self.problems)
        return True

    def refuse(self) -> None:
        """Raise InputError with all that was found."""
        refuse(self.problems)


class DataMissing(YieldsimError):
    """A kernel, raster or table does not cover what was asked of it."""


class CannotCompute(YieldsimError):
    """The inputs are fine but there is no answer: no solution, or no convergence."""


class WriteFailed(YieldsimError):
    """A result could not be written; what was there before is untouched."""


def close_word(word: str, known: Iterable[str], likeness: float = 0.6) -> str:
    """The closest known word, or an empty string.

    >>> close_word("los_per_day", ["loss_per_day", "floor"])
    'loss_per_day'
    """
    return next(iter(difflib.get_close_matches(word, list(known), n=1, cutoff=likeness)), "")


def did_you_mean(word: str) -> str:
    """Hint naming a word, or an empty string where there is none."""
    return f"did you mean {word}?" if word else ""


def likely(word: str, known: Iterable[str]) -> str:
    """Hint naming the closest known word, or an empty string."""
    return did_you_mean(close_word(word, known))
