"""Malformed inputs given to real runs: the right status, every problem in words, no traceback, nothing written."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import run

from yieldsim.files.starter import write_starter

SITE, TABLE = "lantern-ridge.toml", "lantern-ridge.horizon.csv"
COLLECTOR, CURVE = "narrow.collector.toml", "narrow.acceptance.csv"
JUNK = bytes(range(256)) * 40

CASES: dict[str, tuple[dict[str, bytes | tuple[str, str]], tuple[str, ...], int, list[str]]] = {
    "typos in both files": (
        {SITE: ("mast_height_m", "mast_heigth_m"), COLLECTOR: ("[fibre]", "[fiber]")},
        (),
        2,
        ["did you mean mast_height_m?", "did you mean [fibre]?"],
    ),
    "wrong types": (
        {SITE: ("-89.45", '"south"'), COLLECTOR: ("0.0491", "true")},
        (),
        2,
        ['"south"', "is true"],
    ),
    "out of range": ({SITE: ("-89.45", "-90.01")}, (), 2, ["latitude_deg is -90.01; allowed: -90 to 90"]),
    "not a number": ({SITE: ("10.0", "nan"), COLLECTOR: ("0.0491", "inf")}, (), 2, ["is nan", "is inf"]),
    "binary junk": ({SITE: JUNK, CURVE: JUNK}, (), 2, [f"{SITE}: is not text", f"{CURVE}: is not text"]),
    "missing table": ({SITE: (TABLE, "other.csv")}, (), 2, ['names "other.csv", which does not exist']),
    "path that climbs out": ({SITE: (TABLE, "../outside.csv")}, (), 2, ["lies outside its folder"]),
    "reversed table": (
        {CURVE: b"incidence_deg,acceptance_fraction\n4,0\n2,0.8\n0,0.8\n"},
        (),
        2,
        [f"{CURVE} line 3: incidence_deg 2 follows 4", f"{CURVE} line 4: incidence_deg 0 follows 2"],
    ),
    "syntax": ({SITE: ("[horizon]", "[horizon")}, (), 2, [f"{SITE} line "]),
    "missing site": ({}, ("--start", "2027-01-01"), 2, ["absent.toml: does not exist"]),
    "a date that is none": ({}, ("--start", "tomorrow"), 2, ["tomorrow"]),
    "a span outside the kernel": ({}, ("--start", "2060-01-01", "--end", "2060-02-01"), 1, ["2053"]),
}


@pytest.mark.parametrize("case", CASES)
def test_estimate_refuses_in_words(tmp_path: Path, case: str) -> None:
    changes, words, status, expected = CASES[case]
    folder = tmp_path / "inputs"
    write_starter(folder)
    (tmp_path / "outside.csv").write_text("azimuth_deg,elevation_deg\n0,1\n")
    for name, change in changes.items():
        content = (folder / name).read_text()
        if isinstance(change, bytes):
            (folder / name).write_bytes(change)
        else:
            assert change[0] in content
            (folder / name).write_text(content.replace(*change))
    site = "absent.toml" if case == "missing site" else SITE
    before = sorted(path.name for path in folder.iterdir())
    done = run("estimate", site, "--collector", COLLECTOR, "--out", "out", *words, cwd=folder)
    assert done.returncode == status, done.stderr
    assert done.stdout == ""
    for part in expected:
        assert part in done.stderr
    assert "Traceback" not in done.stderr
    assert sorted(path.name for path in folder.iterdir()) == before
