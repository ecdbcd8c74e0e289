"""Kill a scheduler, a worker, or both in the middle of a survey, start it again, and compare the bytes with an undisturbed one.

    python tests/mutations/lost_scheduler.py TERRAIN.tif [--body moon] [--stride 8]

Takes some minutes; processes are real. Ends with status 1 where a resumed survey differs or an unfinished tile was kept.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
KILLED_AFTER_TILES = 2
PATIENCE_S = 300.0
BESIDE_TILES = ("manifest.jsonl", "token")


def start(folder: Path, *words: str) -> subprocess.Popen[bytes]:
    """A process of this Python, silent."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", *words]
    return subprocess.Popen(
        command, cwd=folder, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def cluster(folder: Path, port: int) -> list[subprocess.Popen[bytes]]:
    """A scheduler and two workers."""
    address = f"tcp://127.0.0.1:{port}"
    words = ("--port", str(port), "--host", "127.0.0.1", "--no-dashboard")
    scheduler = start(folder, "distributed.cli.dask_scheduler", *words)
    time.sleep(3.0)
    of_one = ("--nworkers", "1", "--nthreads", "1", "--no-dashboard", "--no-nanny")
    workers = [
        start(
            folder, "distributed.cli.dask_worker", address, *of_one, "--local-directory", f"worker-{number}"
        )
        for number in range(2)
    ]
    time.sleep(3.0)
    return [scheduler, *workers]


def stop(processes: list[subprocess.Popen[bytes]]) -> None:
    """End what still runs."""
    for process in processes:
        if process.poll() is None:
            process.kill()
        process.wait()


def digest(path: Path) -> str:
    """Of a file's bytes."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def main() -> int:
    """Run the three cases; 0 where all end with the same bytes."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("terrain", type=Path)
    parser.add_argument("--body", default="moon")
    parser.add_argument("--stride", default="8")
    given = parser.parse_args()
    words = [
        "yieldsim",
        "survey",
        str(given.terrain.resolve()),
        "--body",
        given.body,
        "--stride",
        given.stride,
    ]
    words += ["--start", "2027-01-01", "--end", "2027-01-20", "--no-figure", "--out"]
    failed = False
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        if start(folder, *words, "plain", "--workers", "2").wait() != 0:
            print("the undisturbed survey failed")
            return 1
        wanted = digest(folder / "plain" / "survey.nc")
        for port, (case, killed) in enumerate(
            {"scheduler": [0], "worker": [1], "all": [0, 1, 2]}.items(), start=18900
        ):
            processes = cluster(folder, port)
            survey = start(folder, *words, case, "--scheduler", f"tcp://127.0.0.1:{port}")
            begun = time.monotonic()
            while survey.poll() is None and time.monotonic() - begun < PATIENCE_S:
                if len(list((folder / case).glob(".survey-*/tile-*.npy"))) >= KILLED_AFTER_TILES:
                    break
                time.sleep(0.1)
            for place in killed:
                processes[place].kill()
            status = survey.wait(PATIENCE_S)
            kept = [path for path in (folder / case).glob(".survey-*/*") if path.name not in BESIDE_TILES]
            stop(processes)
            if status != 0:
                processes = cluster(folder, port + 100)
                survey = start(folder, *words, case, "--scheduler", f"tcp://127.0.0.1:{port + 100}")
                survey.wait(PATIENCE_S)
                stop(processes)
            same = digest(folder / case / "survey.nc") == wanted
            failed = failed or not same or any(path.suffix != ".npy" for path in kept)
            print(
                f"{case} killed: status {status}, {len(kept)} tiles kept, {'same bytes' if same else 'DIFFERENT'}"
            )
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
