"""Processes of this machine, or a cluster's, that share the work of a run."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from typing import Any

from yieldsim.base.errors import CannotCompute

LOST = "the scheduler or its workers were lost"


def cluster_library() -> Any:
    """The library that spreads work over processes and machines; None where it is not installed."""
    try:
        import distributed
    except ImportError:
        return None
    return distributed


@contextmanager
def losses_told(library: Any, reached: Any, scheduler: str | None, again: str) -> Iterator[None]:
    """What a lost cluster means, in words: `again` says how to go on. Raises CannotCompute; a worker's own refusal passes."""
    try:
        yield
    except library.KilledWorker as error:
        raise CannotCompute(f"the workers were lost, for want of memory perhaps: {error}") from None
    except (CancelledError, OSError, TimeoutError) as error:
        if scheduler is None or reached.status == "running":
            raise
        raise CannotCompute(f"{LOST} ({type(error).__name__}); {again}") from None


@contextmanager
def client(library: Any, workers: int, scheduler: str | None) -> Iterator[Any]:
    """A client of the cluster at an address, or of one made here for as long as it is needed."""
    import dask

    if scheduler is not None:
        # a lost scheduler is told in our own words
        logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
        try:
            reached = library.Client(scheduler, timeout="8s")
        except (OSError, ValueError) as error:
            raise CannotCompute(f"cannot reach a scheduler at {scheduler}: {error}") from None
        with reached:
            yield reached
        return
    # the workers share the cores, and have one thread of kernels each where there are as many workers as cores
    threads = str(max(1, (os.cpu_count() or 1) // workers))
    with (
        dask.config.set({"distributed.worker.daemon": True}),
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
