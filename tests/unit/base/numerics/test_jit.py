"""Cached kernels know the sources of all that they call: an upgrade in place never runs old code."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from yieldsim.base.numerics import jit

KERNEL = "from yieldsim.base.numerics.jit import njit\n"
FILES = {
    "__init__.py": "",
    "base/__init__.py": "",
    "base/amounts.py": "SCALE = 2.0\n",
    "base/apart.py": "",
    "base/callee.py": f"{KERNEL}from yieldsim.base.amounts import SCALE\n\n\n@njit(cache=True)\n"
    "def scaled(x):\n    return SCALE * x\n",
    "base/between.py": f"{KERNEL}from yieldsim.base import callee\n\nscaled = callee.scaled\n\n\n@njit(cache=True)\n"
    "def twice(x):\n    return 2.0 * scaled(x)\n",
    "base/caller.py": f"{KERNEL}from yieldsim.base.between import (\n    twice,\n)\n\n\n@njit(cache=True, parallel=True)\n"
    "def more(x):\n    return twice(x) + 1.0\n",
}


@pytest.fixture
def package(tmp_path: Path) -> Path:
    """A small package of the same name, with this one's decorator."""
    root = tmp_path / "yieldsim"
    (root / "base" / "numerics").mkdir(parents=True)
    for name, text in FILES.items():
        (root / name).write_text(text)
    shutil.copy(jit.__file__, root / "base" / "numerics" / "jit.py")
    return root


def answer(package: Path, given: str = "1.0") -> tuple[float, int]:
    """What the outermost kernel gives, and how often its code came from the cache, in a process of its own."""
    script = f"from yieldsim.base.caller import *; print(more({given}), sum(more.stats.cache_hits.values()))"
    environment = {key: value for key, value in os.environ.items() if not key.startswith("NUMBA_CACHE")}
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=package.parent, capture_output=True, text=True, timeout=240,
        env=environment | {"PYTHONPATH": str(package.parent)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    value, hits = done.stdout.split()
    return float(value), int(hits)


def test_a_changed_callee_is_seen_by_its_callers(package: Path) -> None:
    assert answer(package) == (5.0, 0)
    assert answer(package) == (5.0, 1)
    (package / "base" / "callee.py").write_text(
        FILES["base/callee.py"].replace("SCALE * x", "SCALE * x + 0.5")
    )
    assert answer(package) == (6.0, 0), "two modules away"
    (package / "base" / "amounts.py").write_text("SCALE = 3.0\n")
    assert answer(package) == (8.0, 0), "a number of a module without kernels"
    (package / "base" / "apart.py").write_text("SOMETHING = 1\n")
    assert answer(package) == (8.0, 1), "what no kernel imports changes nothing"


def test_a_class_in_a_signature_may_move(package: Path) -> None:
    caller = f"{KERNEL}from yieldsim.base.pairs import Pair\n\n\n@njit(cache=True)\ndef more(pair):\n    return pair.a + 1.0\n"
    (package / "base" / "caller.py").write_text(caller)
    pairs = package / "base" / "pairs.py"
    pairs.write_text("from typing import NamedTuple\n\n\nclass Pair(NamedTuple):\n    a: float\n")
    assert answer(package, "Pair(1.0)") == (2.0, 0)
    assert answer(package, "Pair(1.0)") == (2.0, 1)
    pairs.rename(pairs.with_name("couples.py"))
    (package / "base" / "caller.py").write_text(caller.replace("base.pairs", "base.couples"))
    assert answer(package, "Pair(1.0)") == (2.0, 0)


def test_kept_code_comes_without_the_compiler(package: Path) -> None:
    """Code that was kept loads none of the modules of functions that kernels call; what is compiled beside it is kept, too."""
    kernels = "import numpy as np\n" + KERNEL
    for name in ("first", "second"):
        kernels += (
            f"\n\n@njit(cache=True)\ndef {name}(x):\n    return np.full(3, x).sum() + {name == 'second':d}\n"
        )
    (package / "base" / "caller.py").write_text(kernels)
    script = "import sys; from yieldsim.base.caller import *; found = [%s]; print(found, 'numba.np.arraymath' in sys.modules)"
    runs = {
        "first(1.5)": "[4.5] True",
        "first(2.5)": "[7.5] False",
        "first(1.5), second(1.5)": "[4.5, 5.5] True",
        "second(2.5), first(2.5)": "[8.5, 7.5] False",
    }
    for calls, printed in runs.items():
        done = subprocess.run(
            [sys.executable, "-c", script % calls], cwd=package.parent, capture_output=True, text=True, timeout=240,
            env=os.environ | {"PYTHONPATH": str(package.parent)},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert done.stdout.strip() == printed, calls


def test_without_sources_or_a_known_cache_nothing_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    def plus_one(x: float) -> float:
        return x + 1.0

    plus_one.__module__ = "nowhere"
    assert jit.njit(cache=True)(plus_one)(1.0) == 2.0
    plus_one.__module__ = __name__
    kept = jit.njit(cache=True)(plus_one)
    assert kept(1.0) == 2.0
    assert "NullCache" not in type(kept._cache).__name__

    class Foreign:
        """A library that keeps its cache in another way."""

    monkeypatch.setattr(type(kept), "enable_caching", lambda self: setattr(self, "_cache", Foreign()))
    other = jit.njit(cache=True)(plus_one)
    assert "NullCache" in type(other._cache).__name__
    assert other(1.0) == 2.0


def test_the_mark_reaches_the_ground() -> None:
    """A kernel of the third floor depends on modules of the ground floor that it does not import itself."""
    found = jit.needed("yieldsim.planning.sunlight.facing_energy")
    assert {
        "yieldsim.optics.acceptance_interpolator",
        "yieldsim.optics.acceptance",
        "yieldsim.base.sun_disc",
    } <= found
    assert not any(name.split(".")[1] in ("cli", "report", "runs") for name in found)
    assert jit.source_stamp("yieldsim.planning.sunlight.facing_energy") != jit.source_stamp(
        "yieldsim.optics.acceptance"
    )
