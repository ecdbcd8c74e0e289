"""Native code that prints is not heard; what it raises is, and what comes after it."""

from __future__ import annotations

import subprocess
import sys

import pytest

PROGRAM = """
import ctypes, os
from yieldsim.base.numerics.native_prints import prints_unheard
print("before")
library = ctypes.CDLL(None)
with prints_unheard():
    library.puts(b"stray")
    os.write(1, b"stray too")
try:
    with prints_unheard():
        library.puts(b"stray")
        raise ArithmeticError
except ArithmeticError:
    print("after")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="the C library is found otherwise there")
def test_only_the_program_s_own_lines_come_out() -> None:
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["before", "after"]
