"""Combinations looked at and designed: here, in processes of this machine, or on a cluster; with the same result."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

from yieldsim.base.errors import DataMissing
from yieldsim.runs.cluster import client, cluster_library, losses_told

AGAIN = "start it again to go on from what is done"
Compute = Callable[[Callable[..., Any], Sequence[tuple[Any, ...]]], Iterator[tuple[int, Any]]]
"""Calls a function with each of some arguments: number and result, as they get finished."""


def _here(function: Callable[..., Any], asked: Sequence[tuple[Any, ...]]) -> Iterator[tuple[int, Any]]:
    for number, given in enumerate(asked):
        yield number, function(*given)


@contextmanager
def computing(jobs: int, workers: int, scheduler: str | None) -> Iterator[Compute]:
    """How to compute, for as long as the block runs.

    jobs        how many there are at most at one time
    workers     processes of this machine
    scheduler   address of a cluster to use instead
    Raises CannotCompute when a cluster can't be reached or its workers are lost, DataMissing without the library that reaches it.
    """
    library = cluster_library() if scheduler is not None or min(workers, jobs) > 1 else None
    if library is None:
        if scheduler is not None:
            raise DataMissing("--scheduler needs the cluster library: pip install 'yieldsim[terrain]'")
        yield _here
        return
    with client(library, min(workers, jobs), scheduler) as reached:

        def spread(
            function: Callable[..., Any], asked: Sequence[tuple[Any, ...]]
        ) -> Iterator[tuple[int, Any]]:
            futures = {
                reached.submit(function, *given, pure=False): number for number, given in enumerate(asked)
            }
            try:
                with losses_told(library, reached, scheduler, AGAIN):
                    for future in library.as_completed(list(futures)):
                        yield futures[future], future.result()
            finally:
                # a scheduler that is no more can't be told
                with suppress(Exception):
                    reached.cancel(list(futures))

        yield spread
