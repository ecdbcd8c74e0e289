"""How all tiles of a survey get done: here, in processes of this machine, or on a cluster.

Whoever computes a tile writes it into the store, and tells the client in a few numbers what is in it. The store's folder is named
after everything that the tiles depend on, so that an interrupted survey goes on where it stopped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from yieldsim.base.errors import CannotCompute, DataMissing
from yieldsim.base.numerics.height_grid import Float32Array
from yieldsim.files.output.tile_store import (
    append_to_manifest,
    is_tile,
    load_tile,
    make_store,
    read_manifest,
    save_tile,
    sees_store,
)
from yieldsim.runs.cluster import LOST, losses_told
from yieldsim.runs.cluster import client as _client
from yieldsim.runs.cluster import cluster_library as _cluster_library
from yieldsim.runs.survey.tile_report import TileReport, report_of, told_again
from yieldsim.runs.survey.tiles import Tile, TileJob, survey_tile

Progress = Callable[[int, int], None]
AGAIN = "start it again to go on from the finished tiles"
WAITING_FOR_EACH = 4
"""Tiles handed out at a time for each thread of the cluster."""
LEAST_WAITING = 64
ROUNDS = 3
"""How often tiles that turn out damaged are computed again before the store is given up."""


@dataclass(frozen=True, slots=True, eq=False)
class Finished:
    """What a worker hands back; maps: where it doesn't see the store, and could not write them there itself."""

    report: TileReport
    maps: Float32Array | None


def finish_tile(job: TileJob, tile: Tile, first: tuple[int, int], folder: str, token: str) -> Finished:
    """Compute a tile and write it into the store."""
    maps = survey_tile(job, tile)
    report = report_of(job, tile, first, maps)
    store = Path(folder)
    if not sees_store(store, token):
        return Finished(report, maps)
    save_tile(store / tile.name, maps)
    return Finished(report, None)


def survey_tiles(
    job: TileJob,
    tiles: Sequence[Tile],
    folder: Path,
    workers: int,
    scheduler: str | None,
    progress: Progress | None,
) -> list[TileReport]:
    """Have every tile in `folder`, whole; the reports, in order. What is there already is not computed again.

    Raises CannotCompute when a cluster can't be reached or its workers are lost.
    """
    first = (tiles[0].row, tiles[0].column)
    token = make_store(folder)
    reports = _found(job, tiles, first, folder)
    if progress is not None:
        progress(len(reports), len(tiles))
    waiting = [tile for tile in tiles if tile.name not in reports]
    for _ in range(ROUNDS):
        for tile, finished in _computed(job, waiting, (first, str(folder), token), workers, scheduler):
            if not isinstance(finished, Finished):
                raise CannotCompute(f"{LOST} ({type(finished).__name__} instead of a tile); {AGAIN}")
            if finished.maps is not None:
                if not is_tile(finished.maps, job.shape(tile)):
                    raise CannotCompute(f"{LOST} (something else instead of a tile); {AGAIN}")
                save_tile(folder / tile.name, finished.maps)
            append_to_manifest(folder, tile.name, finished.report.told())
            reports[tile.name] = finished.report
            if progress is not None:
                progress(len(reports), len(tiles))
        # whoever wrote them, and whenever: a tile counts when its digest holds
        waiting = [tile for tile in tiles if load_tile(folder / tile.name, job.shape(tile)) is None]
        if not waiting:
            return [reports[tile.name] for tile in tiles]
    raise CannotCompute(f"finished tiles are altered or lost, {waiting[0].name} among them; {AGAIN}")


def _found(
    job: TileJob, tiles: Sequence[Tile], first: tuple[int, int], folder: Path
) -> dict[str, TileReport]:
    """Reports of the tiles that an earlier run left: from its manifest, or from maps that it didn't come to list."""
    listed = read_manifest(folder)
    reports = {}
    for tile in tiles:
        if not (folder / tile.name).is_file():
            continue
        report = told_again(listed[tile.name]) if tile.name in listed else None
        if report is None:
            maps = load_tile(folder / tile.name, job.shape(tile))
            if maps is None:
                continue
            report = report_of(job, tile, first, maps)
            append_to_manifest(folder, tile.name, report.told())
        reports[tile.name] = report
    return reports


def _computed(
    job: TileJob,
    tiles: Sequence[Tile],
    store: tuple[tuple[int, int], str, str],
    workers: int,
    scheduler: str | None,
) -> Iterator[tuple[Tile, Finished]]:
    """Tiles as they get finished."""
    if not tiles:
        return
    library = _cluster_library() if scheduler is not None or min(workers, len(tiles)) > 1 else None
    if library is None:
        if scheduler is not None:
            raise DataMissing("--scheduler needs the cluster library: pip install 'yieldsim[terrain]'")
        for tile in tiles:
            yield tile, finish_tile(job, tile, *store)
        return
    with _client(library, min(workers, len(tiles)), scheduler) as client:
        left = iter(tiles)
        futures: dict[Any, Tile] = {}

        def hand_out(count: int) -> list[Any]:
            made = {
                client.submit(finish_tile, job, tile, *store, pure=False): tile
                for tile in islice(left, count)
            }
            futures.update(made)
            return list(made)

        threads = sum(client.nthreads().values())
        try:
            with losses_told(library, client, scheduler, AGAIN):
                done = library.as_completed(
                    hand_out(max(LEAST_WAITING, WAITING_FOR_EACH * threads)), with_results=True
                )
                for future, finished in done:
                    if future.status != "finished":
                        raise CannotCompute(f"{LOST} (a tile is {future.status}); {AGAIN}")
                    tile = futures.pop(future)
                    future.release()
                    yield tile, finished
                    for more in hand_out(1):
                        done.add(more)
        finally:
            # a scheduler that is no more can't be told
            with suppress(Exception):
                client.cancel(list(futures))
