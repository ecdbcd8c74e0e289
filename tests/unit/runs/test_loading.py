"""Libraries: loaded beside the work that needs no interpreter, and not at all where nothing uses them."""

from __future__ import annotations

import subprocess
import sys

from yieldsim.runs.loading import loading


def test_modules_are_there_at_the_end_of_the_block_and_missing_ones_are_left_to_their_user(monkeypatch):
    monkeypatch.delitem(sys.modules, "colorsys", raising=False)
    with loading("no_such_module_anywhere", "colorsys"):
        pass
    assert "colorsys" in sys.modules
    assert "no_such_module_anywhere" not in sys.modules


def test_a_survey_s_light_needs_no_series_and_kernels_no_linear_algebra_until_they_use_it():
    code = (
        "import sys, numba, numpy as np\n"
        "import yieldsim.planning.survey.horizon_tables, yieldsim.planning.survey.illumination\n"
        "import yieldsim.planning.survey.longest_dark, yieldsim.runs.survey.workers, yieldsim.ground.line_sweep\n"
        "assert not {'xarray', 'pandas', 'scipy.linalg'} & set(sys.modules)\n"
        "product = numba.njit(lambda a: a @ a)(np.diag([2.0, 3.0]))\n"
        "assert product.tolist() == [[4.0, 0.0], [0.0, 9.0]]\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
