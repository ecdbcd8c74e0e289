"""Thousands of spoilt inputs, for as long as asked; each kind of fault found is kept with its file and traceback.

python tests/mutations/explore.py --cases 3000 --seed 7 --keep FOLDER
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import resource
import shutil
import signal
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from mutated_cases import KINDS, outcome, spoilt_case
from specimens import write_all

MEMORY_BYTES = 6 << 30


@contextlib.contextmanager
def restored(folder: Path, whole: Path) -> Iterator[None]:
    """Put back every file that a case spoilt, and take away what it made."""
    try:
        yield
    finally:
        shutil.rmtree(folder)
        shutil.copytree(whole, folder)


class Slow(BaseException):
    """A command that goes on for too long."""


def _slow(*_: object) -> None:
    raise Slow


def explore(seed: int, cases: int, keep: Path, seconds: int, kinds: tuple[str, ...], first: int) -> None:
    """Run many cases; each fault's file, command and traceback is kept."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    signal.signal(signal.SIGALRM, _slow)
    os.environ["XDG_CACHE_HOME"] = str(keep / "cache")
    outcomes: Counter[str] = Counter()
    faults: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as room:
        whole, folder = Path(room) / "whole", Path(room) / "case"
        whole.mkdir()
        write_all(whole)
        shutil.copytree(whole, folder)
        for number in range(first, first + cases):
            with restored(folder, whole), contextlib.chdir(folder):
                case = spoilt_case(seed, number, folder, kinds)
                began, fault = time.process_time(), ""
                signal.alarm(seconds)
                try:
                    outcomes[f"{case.kind} {outcome(case.words)}"] += 1
                except (Exception, Slow) as error:
                    frames = [
                        f for f in traceback.extract_tb(error.__traceback__) if "yieldsim/" in f.filename
                    ]
                    at = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
                    fault = f"{type(error).__name__} {at} {str(error)[:160]!r}"
                    text = "".join(traceback.format_exception(error))
                finally:
                    signal.alarm(0)
                spent = time.process_time() - began
                if fault or spent > seconds / 2:
                    label = fault or f"slow {spent:.0f} s"
                    faults[label] += 1
                    print(number, case.kind, case.file, " ".join(case.words), "->", label, flush=True)
                    if fault and faults[label] == 1:
                        place = keep / f"{seed}-{number}"
                        place.mkdir(parents=True, exist_ok=True)
                        shutil.copy(folder / case.file, place / Path(case.file).name)
                        (place / "what.txt").write_text(f"{case}\n{text}")
    print(json.dumps({**dict(sorted(outcomes.items())), "faults": sum(faults.values())}, indent=1))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=int, default=90)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--keep", type=Path, default=Path("found"))
    given = parser.parse_args()
    given.keep.mkdir(parents=True, exist_ok=True)
    explore(
        given.seed,
        given.cases,
        given.keep.resolve(),
        given.seconds,
        tuple(given.kinds.split(",")),
        given.first,
    )
