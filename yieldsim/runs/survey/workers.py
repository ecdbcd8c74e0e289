"""How all tiles of a survey get done: here, in processes of this machine, or on a cluster.

Finished tiles wait in a folder named after everything they depend on, so that an interrupted survey goes on where it stopped.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from yieldsim.base.errors import CannotCompute, DataMissing
from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.runs.survey.tiles import Tile, TileJob, survey_tile

Progress = Callable[[int, int], None]
LOST = "the scheduler or its workers were lost"
AGAIN = "start it again to go on from the finished tiles"


def survey_tiles(
    job: TileJob,
    tiles: list[Tile],
    folder: Path,
    workers: int,
    scheduler: str | None,
    progress: Progress | None,
) -> Iterator[tuple[Tile, Float32Array]]:
    """Every tile's maps, in order; those already in `folder` are not computed again.

    Raises CannotCompute when a cluster can't be reached or its workers are lost.
    """
    from yieldsim.files.output.survey import is_tile, load_tile, save_tile

    def kept(tile: Tile) -> Float32Array | None:
        return load_tile(folder / tile.name, job.shape(tile))

    waiting = [tile for tile in tiles if kept(tile) is None]
    done = len(tiles) - len(waiting)
    if progress is not None:
        progress(done, len(tiles))
    for tile, maps in _computed(job, waiting, workers, scheduler):
        if not is_tile(maps, job.shape(tile)):
            raise CannotCompute(f"{LOST} ({type(maps).__name__} instead of a tile); {AGAIN}")
        save_tile(folder / tile.name, maps)
        done += 1
        if progress is not None:
            progress(done, len(tiles))
    for tile in tiles:
        found = kept(tile)
        if found is None:
            raise CannotCompute(f"the finished tile {tile.name} was altered meanwhile; {AGAIN}")
        yield tile, found


def _computed(
    job: TileJob, tiles: list[Tile], workers: int, scheduler: str | None
) -> Iterator[tuple[Tile, Float32Array]]:
    """Tiles and their maps as they get finished."""
    library = _cluster_library() if scheduler is not None or min(workers, len(tiles)) > 1 else None
    if library is None:
        if scheduler is not None:
            raise DataMissing("--scheduler needs the cluster library: pip install 'yieldsim[terrain]'")
        for tile in tiles:
            yield tile, survey_tile(job, tile)
        return
    with _client(library, min(workers, len(tiles)), scheduler) as client:
        futures = {client.submit(survey_tile, job, tile, pure=False): tile for tile in tiles}
        try:
            for future, maps in library.as_completed(list(futures), with_results=True):
                if future.status != "finished":
                    raise CannotCompute(f"{LOST} (a tile is {future.status}); {AGAIN}")
                # let go of the result: maps of large surveys would add up
                tile = futures.pop(future)
                future.release()
                yield tile, maps
        except library.KilledWorker as error:
            raise CannotCompute(f"the workers were lost, for want of memory perhaps: {error}") from None
        except (CancelledError, OSError, TimeoutError) as error:
            if scheduler is None or client.status == "running":
                raise
            raise CannotCompute(f"{LOST} ({type(error).__name__}); {AGAIN}") from None
        finally:
            # a scheduler that is no more can't be told
            with suppress(Exception):
                client.cancel(list(futures))


def _cluster_library() -> Any:
    """The library that spreads tiles over processes and machines; None where it is not installed."""
    try:
        import distributed
    except ImportError:
        return None
    return distributed


@contextmanager
def _client(library: Any, workers: int, scheduler: str | None) -> Iterator[Any]:
    """A client of the cluster at an address, or of one made here for as long as it is needed."""
    import dask

    if scheduler is not None:
        # a lost scheduler is told in our own words
        logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
        try:
            client = library.Client(scheduler, timeout="8s")
        except (OSError, ValueError) as error:
            raise CannotCompute(f"cannot reach a scheduler at {scheduler}: {error}") from None
        with client:
            yield client
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
        library.Client(cluster) as client,
    ):
        yield client
