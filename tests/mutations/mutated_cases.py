"""Spoilt files and the commands that read them: one case for a seed and a number, and what comes of it."""

from __future__ import annotations

import contextlib
import io
import random
from dataclasses import dataclass
from pathlib import Path

import click
from spoiling import bytes_spoilt, estimate_spoilt, text_spoilt

from yieldsim.base.errors import YieldsimError
from yieldsim.cli.main import commands

SPAN = ("--start", "2027-01-01", "--end", "2027-01-03")
SHORT = (*SPAN, "--out", "out")
BARE = (*SHORT, "--no-report")
COARSE = (*SHORT, "--step-deg", "10", "--no-figures")
DESIGN = (*BARE, "--workers", "1")
BUDGET = ("--no-report", "--out", "out")
CHECK = ("check", "{}")
RIDGE, WIDE, MANY = "lantern-ridge.toml", "wide.collector.toml", "many.collector.toml"

Words = tuple[str, ...]


def estimate(site: str, collector: str, *more: str) -> Words:
    """An estimate over a short span."""
    return ("estimate", site, "-c", collector, *(more or BARE))


def tune(site: str, vary: str, *more: str) -> Words:
    """A tuning of three designs."""
    return ("tune", "{}", "--site", site, "-v", vary, "--points", "3", *more, *SHORT)


SITE_RUNS = (
    CHECK,
    estimate("{}", WIDE),
    estimate("{}", MANY, *SHORT),
    ("orient", "{}", "-c", WIDE, *COARSE),
    ("rank", "{}", RIDGE, "-c", WIDE, *SHORT, "--no-figures"),
    ("budget", "wide", "-l", "habitat.load.toml", "--site", "{}", "-c", WIDE, *BUDGET),
)
COLLECTOR_RUNS = (
    CHECK,
    estimate(RIDGE, "{}"),
    estimate("mars.toml", "{}", *SHORT),
    ("orient", RIDGE, "-c", "{}", "--units", "2", *COARSE),
    ("rank", RIDGE, "ember-rim.toml", "-c", "{}", *SHORT, "--no-figures"),
    ("budget", "wide", "-l", "table.load.toml", "--site", RIDGE, "-c", "{}", *BUDGET),
)
LOAD_RUNS = (
    CHECK,
    ("budget", "wide", "-l", "{}", *BUDGET),
    ("budget", "many", "-l", "{}", "--site", RIDGE, "-c", MANY, "--out", "out"),
    ("orient", RIDGE, "-c", WIDE, "-l", "{}", *COARSE),
)
OPTICS_RUNS = (
    CHECK,
    ("trace", "{}", "--tolerance", "0.2", "--no-figures"),
    ("trace", "{}", "--tolerance", "0.2", "--source", "disc", "--out", "out/acceptance.csv"),
    estimate(RIDGE, "traced.collector.toml"),
)
ESTIMATE_RUNS = (
    ("report", "{}", "--out", "out"),
    ("budget", "{}", "-l", "habitat.load.toml", *BUDGET),
    ("budget", "{}", "-l", "table.load.toml", "--out", "out"),
    ("budget", "{}", "-l", "table.load.toml", "--site", RIDGE, "-c", WIDE, *BUDGET),
)
UNSURE = (
    "budget",
    "wide",
    "-l",
    "habitat.load.toml",
    "--site",
    RIDGE,
    "-c",
    WIDE,
    "--uncertain",
    "{}",
    *BUDGET,
)
KERNEL_RUNS = (CHECK, estimate(RIDGE, WIDE, "--kernel", "{}", *BARE))


@dataclass(frozen=True)
class Kind:
    """Files of a kind, the commands that read them ({} is the file) and how they are spoilt."""

    files: Words
    runs: tuple[Words, ...]
    how: str = "text"


KINDS: dict[str, Kind] = {
    "site": Kind((RIDGE, "ember-rim.toml", "rust-plain.toml", "mars.toml", "away.toml"), SITE_RUNS),
    "collector": Kind((WIDE, MANY, "narrow.collector.toml", "traced.collector.toml"), COLLECTOR_RUNS),
    "worn collector": Kind(
        ("worn.collector.toml", "insulated.collector.toml"),
        (
            CHECK,
            estimate(RIDGE, "{}"),
            estimate("mars.toml", "{}", *SHORT),
            estimate("warm.toml", "{}", *SHORT),
        ),
    ),
    "grains": Kind(("grains.csv",), (CHECK, estimate("mars.toml", "worn.collector.toml"))),
    "ground": Kind(
        ("warm.toml", "ground.csv"), (CHECK, estimate("warm.toml", "insulated.collector.toml", *SHORT))
    ),
    "design": Kind(
        ("joined.design.toml", "lantern-growth.design.toml", "lantern-ridge.design.toml"), (CHECK,)
    ),
    "design run": Kind(("joined.design.toml",), (("design", "{}", *DESIGN),)),
    "load": Kind(("habitat.load.toml", "table.load.toml"), LOAD_RUNS),
    "optics": Kind(
        tuple(f"{name}.optics.toml" for name in ("half-metre-lens", "wide-trough", "polar-dome", "glass")),
        OPTICS_RUNS,
    ),
    "tune": Kind(
        ("glass.optics.toml",),
        (tune(RIDGE, "fibre.packing=0.5:0.9"), tune("mars.toml", "funnel.length_m=0.02:0.04", "-c", MANY)),
    ),
    "uncertainty": Kind(("few.uncertain.toml", "lantern-ridge.uncertain.toml"), (CHECK, UNSURE)),
    "body": Kind(("own.body.toml",), (CHECK, ("check", "away.toml"), estimate("away.toml", WIDE))),
    "small body": Kind(
        ("ceres.body.toml",), (estimate("ceres.toml", WIDE, "--kernel", "states9.bsp", *BARE),)
    ),
    "skyline": Kind(("lantern-ridge.horizon.csv",), (CHECK, estimate(RIDGE, WIDE))),
    "air": Kind(("tau.csv",), (CHECK, estimate("mars.toml", WIDE))),
    "two angles": Kind(
        ("grid.csv",), (CHECK, estimate("mars.toml", MANY), ("orient", RIDGE, "-c", MANY, *COARSE))
    ),
    "one angle": Kind(
        ("wide.acceptance.csv",), (CHECK, estimate(RIDGE, WIDE), ("orient", "mars.toml", "-c", WIDE, *COARSE))
    ),
    "attenuation": Kind(("wide.attenuation.csv",), (CHECK, estimate("mars.toml", MANY))),
    "profile": Kind(
        ("profile.csv", "hours.csv"), (CHECK, ("budget", "wide", "-l", "table.load.toml", *BUDGET))
    ),
    "glass": Kind(
        ("glass.csv",), (("check", "glass.optics.toml"), ("trace", "glass.optics.toml", "--tolerance", "0.2"))
    ),
    "estimate": Kind(("wide/estimate.nc", "many/estimate.nc"), ESTIMATE_RUNS, "estimate"),
    "kernel": Kind(("short.bsp", "turn.bpc"), KERNEL_RUNS, "bytes"),
    "states": Kind(
        ("states9.bsp", "states13.bsp", "lines1.bsp", "lines21.bsp"),
        (CHECK, estimate("ceres.toml", WIDE, "--kernel", "{}", *BARE)),
        "bytes",
    ),
    "frames": Kind(("frames.tf",), KERNEL_RUNS),
    "raster": Kind(
        ("hill.tif",),
        (("check", "away.toml"), ("horizon", "away.toml", "--out", "out.csv", "--no-figure")),
        "bytes",
    ),
}


@dataclass(frozen=True)
class Case:
    """One spoilt file and a command that reads it."""

    number: int
    kind: str
    file: str
    words: tuple[str, ...]


def spoilt_case(seed: int, number: int, folder: Path, kinds: tuple[str, ...]) -> Case:
    """Spoil a file of the folder in place: the same for the same seed and number."""
    rng = random.Random(f"{seed}/{number}")
    name = rng.choice(kinds)
    kind = KINDS[name]
    file = rng.choice(kind.files)
    path = folder / file
    if kind.how == "estimate":
        estimate_spoilt(rng, path)
    else:
        spoil = text_spoilt if kind.how == "text" else bytes_spoilt
        path.write_bytes(spoil(rng, path.read_bytes()))
    words = tuple(word.replace("{}", file) for word in rng.choice(kind.runs))
    return Case(number, name, file, words)


def outcome(words: tuple[str, ...]) -> str:
    """Run a command: "done", or the kind of refusal. Any other exception comes out, and so does a refusal that isn't worded."""
    out, err = io.StringIO(), io.StringIO()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            commands.main(list(words), prog_name="yieldsim", standalone_mode=False)
    except click.ClickException as error:
        return type(error).__name__
    except YieldsimError as error:
        if not str(error).strip():
            raise AssertionError(f"{type(error).__name__} without words") from error
        return type(error).__name__
    return "done"
