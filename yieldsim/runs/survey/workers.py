"""How all tiles of a survey get done: here, in processes of this machine, or on a cluster.

Whoever computes a tile writes it into the store, and tells the client in a few numbers what is in it. The store's folder is named
after everything that the tiles depend on, so that an interrupted survey goes on where it stopped.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, nullcontext
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from yieldsim.base.errors import CannotCompute
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
from yieldsim.runs.cluster import LOST, computing
from yieldsim.runs.survey.tile_report import TileReport, report_of, told_again
from yieldsim.runs.survey.tiles import Ground, Tile, TileJob, read_ground, survey_tile

Progress = Callable[[int, int], None]
AGAIN = "start it again to go on from the finished tiles"
ROUNDS = 3
"""How often tiles that turn out damaged are computed again before the store is given up."""


@dataclass(frozen=True, slots=True, eq=False)
class Finished:
    """What a worker hands back; maps: where it doesn't see the store, and could not write them there itself."""

    report: TileReport
    maps: Float32Array | None


class ReadAhead:
    """The ground of tiles in their order, the next one's read while one is swept: files wait for the disk and one core."""

    def __init__(self, job: TileJob, tiles: Sequence[Tile]) -> None:
        """Nothing is read yet."""
        self._job, self._following = job, dict(pairwise(tiles))
        self._thread, self._reading = ThreadPoolExecutor(1), dict[Tile, Future[Ground]]()

    def ground(self, tile: Tile) -> Ground:
        """A tile's, once it is read. Raises what reading raises."""
        found = self._reading.pop(tile, None)
        ground = read_ground(self._job, tile) if found is None else found.result()
        if tile in self._following:
            following = self._following[tile]
            self._reading[following] = self._thread.submit(read_ground, self._job, following)
        return ground

    def close(self) -> None:
        """Read no more."""
        self._thread.shutdown(wait=False, cancel_futures=True)


def finish_tile(
    job: TileJob, tile: Tile, first: tuple[int, int], folder: str, token: str, ahead: ReadAhead | None = None
) -> Finished:
    """Compute a tile and write it into the store."""
    maps = survey_tile(job, tile) if ahead is None else survey_tile(job, tile, ahead.ground(tile))
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
    files: Sequence[str] = (),
) -> list[TileReport]:
    """Have every tile in `folder`, whole; the reports, in order. What is there already is not computed again.

    files   that a cluster's workers need

    Raises CannotCompute when a cluster can't be reached or its workers are lost.
    """
    first = (tiles[0].row, tiles[0].column)
    token = make_store(folder)
    reports = _found(job, tiles, first, folder)
    if progress is not None:
        progress(len(reports), len(tiles))
    waiting = [tile for tile in tiles if tile.name not in reports]
    for _ in range(ROUNDS):
        if waiting:
            here = workers == 1 and scheduler is None and len(waiting) > 1
            with (
                closing(ReadAhead(job, waiting)) if here else nullcontext() as ahead,
                computing(len(waiting), workers, scheduler, files=files, again=AGAIN) as compute,
            ):
                for number, finished in compute(
                    finish_tile, ((tile, first, str(folder), token, ahead) for tile in waiting), job
                ):
                    tile = waiting[number]
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
