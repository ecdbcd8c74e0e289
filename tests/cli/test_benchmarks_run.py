"""Every benchmark runs to its end at a small size, its comparison of answers included: the figures are for a quiet machine."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
BENCHMARKS = ROOT / "tests" / "benchmarks"
SMALL = {
    "bench_facings.py": ["--small", "--case", "moon pole, cone 20", "--goal", "annual"],
    "bench_line_sweep.py": ["64", "20"],
    "bench_sun_track.py": ["--days", "2"],
    "compare_outputs.py": ["--only", "estimate-ridge-narrow", "{tmp}/after"],
}
"""Arguments of those that take others than --small."""


DEAR = (
    "bench_budget.py",
    "bench_design.py",
    "bench_facings.py",
    "bench_line_sweep.py",
    "bench_survey.py",
    "bench_survey_scale.py",
    "bench_sweep.py",
    "bench_tracer.py",
)
SCRIPTS = sorted(path.name for path in BENCHMARKS.glob("*.py"))


@pytest.mark.parametrize(
    "script", [pytest.param(name, marks=pytest.mark.slow) if name in DEAR else name for name in SCRIPTS]
)
def test_runs_to_its_end(script: str, tmp_path: Path) -> None:
    words = [word.format(tmp=tmp_path) for word in SMALL.get(script, ["--small"])]
    done = subprocess.run(
        [sys.executable, str(BENCHMARKS / script), *words], capture_output=True, text=True, cwd=ROOT
    )
    if "no LOLA terrain" in done.stderr:
        pytest.skip("needs the public terrain files beside the checkout")
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.strip()
