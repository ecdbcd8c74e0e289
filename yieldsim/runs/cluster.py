"""Cases of a run shared out: computed here, in processes of this machine, or on a Dask cluster; the same results from each.

A cluster's workers are strangers until they are looked at: before it takes a first case each must have this very program and the
files that the cases are computed from, and one that joins later is looked at when it takes its first.
"""

from __future__ import annotations

import inspect
import logging
import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import cache
from importlib.util import find_spec
from itertools import islice
from pathlib import Path
from typing import Any, Protocol

from yieldsim.base.errors import CannotCompute, DataMissing, refusal
from yieldsim.files.output.provenance import file_ends, package_digest, package_version
from yieldsim.runs.time_span import whole_number

LOST = "the scheduler or its workers were lost"
AGAIN = "start it again"
WAITING_FOR_EACH = 4
"""Cases handed out at a time for each thread of the cluster."""
LEAST_WAITING = 64
PATIENCE = "8s"
ADDRESS = "an address such as tcp://host:8786"
PROTOCOLS = ("tcp", "tls", "ws", "wss", "ucx")
_ADDRESS = re.compile(
    r"(?:(?P<protocol>[^/:]*)://)?(?P<host>\[[0-9a-fA-F:.%\w]+\]|[^\s/:@\[\]]+)(?::(?P<port>\d{1,9}))?/?"
)
SCHEDULER = "the scheduler"
QUIET = {
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "1s",
    "distributed.admin.system-monitor.interval": "5s",
    "distributed.worker.memory.monitor-interval": "1s",
}
"""What processes made here do beside the work, a hundred times a second and more by default: nobody looks at it."""


class Compute(Protocol):
    """Calls a function with what all cases share and each case's own arguments: number and result, as they get finished."""

    def __call__(
        self, function: Callable[..., Any], cases: Iterable[tuple[Any, ...]], *shared: Any
    ) -> Iterator[tuple[int, Any]]:
        """Raises what the function raises, CannotCompute where workers are lost."""


@dataclass(frozen=True, slots=True)
class Needs:
    """What a worker must have: this version of the program, from the same sources, and files as they are here.

    files   path, size and digest of both ends of each
    """

    version: str
    sources: str
    files: tuple[tuple[str, int, str], ...]

    @classmethod
    def of(cls, files: Iterable[str | Path]) -> Needs:
        """Those of this process, which has the files."""
        known = {str(Path(file).absolute()) for file in files}
        return cls(
            package_version(), package_digest(), tuple((one, *file_ends(one)) for one in sorted(known))
        )


@cache
def lacking(needs: Needs) -> str:
    """What this process lacks, in words; empty where it has everything."""
    if needs.version != package_version():
        return f"has yieldsim {package_version()}, this run needs {needs.version}"
    if needs.sources != package_digest():
        return f"has a yieldsim {needs.version} of other sources than this one"
    missing, other = [], []
    for file, *ends in needs.files:
        try:
            if [*file_ends(file)] != ends:
                other.append(file)
        except OSError:
            missing.append(file)
    words = [f"lacks {', '.join(missing)}"] * bool(missing)
    return " and ".join([*words, *[f"has other contents in {', '.join(other)}"] * bool(other)])


def cluster_library() -> Any:
    """The library that spreads work over processes and machines; None where it is not installed."""
    try:
        import distributed
    except ImportError:
        return None
    return distributed


def cores() -> int:
    """How many processes share a long run where no number is given: one a core, or this one where the library isn't installed or a
    script would be run again by each."""
    return (os.cpu_count() or 1) if find_spec("distributed") is not None and not _unguarded() else 1


def _unguarded() -> bool:
    """Whether this program is a script without `if __name__ == "__main__":`, which each new process runs again from its top."""
    try:
        return "__name__" not in inspect.getsource(sys.modules["__main__"])
    except (OSError, TypeError):  # a notebook, or what is typed
        return False


def refuse_address(scheduler: object) -> None:
    """Raise InputError for what can be no address of a scheduler; whether one answers there is another matter."""
    if isinstance(scheduler, str) and scheduler.startswith("inproc://"):
        return  # one within this process, whose address the library makes up
    found = _ADDRESS.fullmatch(scheduler) if isinstance(scheduler, str) else None
    if found is None:
        raise refusal("", "scheduler", f"is {scheduler!r:.80}", ADDRESS)
    protocol, port = found["protocol"], found["port"]
    hint = ""
    if protocol is not None and protocol not in PROTOCOLS:
        hint = f"before :// stands one of {', '.join(PROTOCOLS)}"
    elif port is None:
        hint = "it has no port"
    elif not 1 <= int(port) <= 65_535:
        hint = "ports are 1 to 65535"
    if hint:
        raise refusal("", "scheduler", f"is {scheduler!r:.80}", ADDRESS, hint)


@contextmanager
def computing(
    jobs: int, workers: int, scheduler: str | None, *, files: Iterable[str | Path] = (), again: str = AGAIN
) -> Iterator[Compute]:
    """How to compute, for as long as the block runs.

    jobs        how many cases there are at most at one time
    workers     processes of this machine; 1: this one
    scheduler   address of a cluster to use instead
    files       that its workers need where they are here
    again       how to go on where it is lost
    Raises InputError for workers that are no whole number above 0, or several in a script without a guard, and for a scheduler
    that is no address, CannotCompute when a cluster can't be reached or a worker lacks something, DataMissing without the library
    for it.
    """
    whole_number(workers, "workers", 1)
    if scheduler is not None:
        refuse_address(scheduler)
    if scheduler is None and min(workers, jobs) <= 1:
        yield _here
        return
    if scheduler is None and _unguarded():
        hint = 'each process reads the script again: call this under if __name__ == "__main__"'
        raise refusal("", "workers", f"is {workers} in a script without a guard", "1", hint)
    library = cluster_library()
    if library is None:
        asked = "--workers" if scheduler is None else "--scheduler"
        raise DataMissing(f"{asked} needs the cluster library: pip install 'yieldsim[cluster]'")
    needs = Needs.of(files) if scheduler is not None else None
    with _client(library, min(workers, jobs), scheduler) as client:
        if needs is not None:
            _refuse_lacking(client, scheduler, needs)

        def spread(
            function: Callable[..., Any], cases: Iterable[tuple[Any, ...]], *shared: Any
        ) -> Iterator[tuple[int, Any]]:
            left = enumerate(cases)
            futures: dict[Any, int] = {}
            # as tasks of their own, so that the cluster makes them again where it loses a worker that held them
            kept = [client.submit(_as_is, one, pure=False) for one in shared]

            def hand_out(count: int) -> list[Any]:
                made = {
                    client.submit(_called, needs, function, *kept, *case, pure=False): number
                    for number, case in islice(left, count)
                }
                futures.update(made)
                return list(made)

            threads = sum(client.nthreads().values())
            try:
                with _losses_told(library, client, scheduler, again):
                    # to each of them: else whoever holds what is shared draws the cases to itself; a loss is told below
                    with suppress(Exception):
                        client.replicate(kept)
                    first = hand_out(max(LEAST_WAITING, WAITING_FOR_EACH * threads))
                    done = library.as_completed(first, with_results=True)
                    for future, result in done:
                        if future.status != "finished":
                            raise CannotCompute(f"{LOST} (a case is {future.status}); {again}")
                        number = futures.pop(future)
                        future.release()
                        yield number, result
                        for more in hand_out(1):
                            done.add(more)
            finally:
                # a scheduler that is no more can't be told
                with suppress(Exception):
                    client.cancel([*futures, *kept])

        yield spread


def in_order(found: Iterable[tuple[int, Any]], advance: Callable[[int], None] | None = None) -> list[Any]:
    """Results in the order of their cases.

    advance   told how many there are, after each
    """
    results: dict[int, Any] = {}
    for number, result in found:
        results[number] = result
        if advance is not None:
            advance(len(results))
    return [results[number] for number in sorted(results)]


def _here(
    function: Callable[..., Any], cases: Iterable[tuple[Any, ...]], *shared: Any
) -> Iterator[tuple[int, Any]]:
    for number, case in enumerate(cases):
        yield number, function(*shared, *case)


def _as_is(one: Any) -> Any:
    return one


def _called(needs: Needs | None, function: Callable[..., Any], *given: Any) -> Any:
    """A case, on a worker. Raises CannotCompute on one that lacks something."""
    if needs is not None and (words := lacking(needs)):
        from distributed import get_worker

        raise CannotCompute(f"worker {get_worker().address} {words}")
    return function(*given)


@contextmanager
def _losses_told(library: Any, client: Any, scheduler: str | None, again: str) -> Iterator[None]:
    """What a lost cluster means, in words. Raises CannotCompute; a worker's own refusal passes."""
    try:
        yield
    except library.KilledWorker as error:
        words = "the workers were lost, for want of memory perhaps"
        raise CannotCompute(f"{words}: {' '.join(str(error).split())[:200]}; {again}") from None
    except (CancelledError, OSError, TimeoutError) as error:
        if scheduler is None or client.status == "running":
            raise
        raise CannotCompute(f"{LOST} ({type(error).__name__}); {again}") from None


def _refuse_lacking(client: Any, scheduler: str | None, needs: Needs) -> None:
    """Raise CannotCompute, with the name of each worker that lacks something; the scheduler itself reads no files."""
    if not client.nthreads():
        raise CannotCompute(f"the scheduler at {scheduler} has no workers: start some, then this again")
    program = replace(needs, files=())

    def asked(function: Callable[..., Any], given: Any, ask: list[str], **more: Any) -> dict[str, Any]:
        answers: dict[str, Any] = client.run(function, given, workers=ask, on_error="return") if ask else {}
        try:
            answers[SCHEDULER] = client.run_on_scheduler(function, more.get("of_scheduler", given))
        except Exception as error:
            answers[SCHEDULER] = error
        return answers

    # by a function of Python's own first: who is without the program can't read one of ours
    there = asked(find_spec, "yieldsim", list(client.nthreads()))
    without = [one for one, spec in there.items() if spec is None or isinstance(spec, BaseException)]
    workers = [one for one in there if one not in (*without, SCHEDULER)]
    found = asked(lacking, needs, workers, of_scheduler=program)
    lines = [f"{_named(one)} has no yieldsim" for one in sorted(without, key=_named)]
    for one in sorted(set(found) - set(without), key=_named):
        words = found[one]
        if not isinstance(words, str):
            words = f"has another yieldsim ({' '.join(str(words).split())[:100]})"
        lines += [f"{_named(one)} {words}"] * bool(words)
    if lines:
        hint = "scheduler and workers need the same yieldsim, and workers the files at the same paths"
        raise CannotCompute("\n".join([*lines, f"({hint})"]))


def _named(one: str) -> str:
    return one if one == SCHEDULER else f"worker {one}"


@contextmanager
def _client(library: Any, workers: int, scheduler: str | None) -> Iterator[Any]:
    """A client of the cluster at an address, or of one made here for as long as it is needed."""
    import dask

    # what all cases share may be large
    large = {"distributed.admin.large-graph-warning-threshold": "4GB"}
    if scheduler is not None:
        # a lost scheduler is told in our own words
        logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
        try:
            reached = library.Client(scheduler, timeout=PATIENCE)
        except (OSError, ValueError, TypeError, RuntimeError) as error:
            # the library's own words for a tls:// address without certificates are a type error
            told = "it needs certificates in Dask's configuration" if "ssl" in str(error).lower() else error
            raise CannotCompute(f"cannot reach a scheduler at {scheduler}: {told}") from None
        with dask.config.set(large), reached:
            yield reached
        return
    # the workers share the cores, and have one thread of kernels each where there are as many workers as cores
    threads = str(max(1, (os.cpu_count() or 1) // workers))
    with (
        dask.config.set({"distributed.worker.daemon": True, **QUIET, **large}),
        library.LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
            silence_logs=logging.ERROR,
            env={"NUMBA_NUM_THREADS": threads, "OMP_NUM_THREADS": threads},
        ) as cluster,
        library.Client(cluster) as reached,
    ):
        yield reached


def terrain_files(sites: Iterable[Any]) -> list[str | Path]:
    """Files of the terrain that sites name, which workers read themselves."""
    from yieldsim.base.model import TerrainHorizon

    found = (site.horizon.terrain for site in sites if isinstance(site.horizon, TerrainHorizon))
    return list(dict.fromkeys(file for files in found for file in files))
