"""Compiled kernels whose cached code is never older than the sources it was made from.

Numba keeps machine code between runs and drops it when the file of the function changes. It does not look at what the
function calls in other files, whose code is compiled in: after an upgrade that changes a callee alone - in place, or by
pip, which leaves the cache where it is - the old code would go on running (tried with numba 0.68). So the mark by which
it knows a file is joined here by one for every module of this package that the function's module imports, and those
that they import.
"""

from __future__ import annotations

import hashlib
import io
import pickle
import re
import sys
import threading
from collections.abc import Callable
from functools import cache as remembered
from functools import partial, wraps
from importlib.machinery import SourceFileLoader
from importlib.util import find_spec
from typing import Any, TypeVar, cast

import numba
import numpy as np
from numba.core import environment, event
from numba.core.runtime.nrt import rtsys
from numpy.typing import NDArray

Function = TypeVar("Function", bound=Callable[..., Any])
ENVIRONMENTS: Any = environment
IMPORTS = re.compile(rb"^[ \t]*from (yieldsim[\w.]*) import (\([^)]*\)|[^\n]*)", re.MULTILINE)


class _Compilations(event.Listener):
    """Counts the kernels that are being compiled: none where their code was kept from an earlier run."""

    def __init__(self) -> None:
        self._lock, self.open = threading.Lock(), 0

    def on_start(self, event: event.Event) -> None:
        with self._lock:
            self.open += 1

    def on_end(self, event: event.Event) -> None:
        with self._lock:
            self.open -= 1


_compilations = _Compilations()
event.register("numba:compile", _compilations)  # type: ignore[no-untyped-call, unused-ignore]


def compiling() -> bool:
    """Whether a kernel is being compiled now, as on the first run after an installation or an upgrade."""
    return _compilations.open > 0


def njit(*, cache: bool = False, **options: Any) -> Callable[[Function], Function]:
    """`numba.njit`, its cache marked with all sources that the code depends on; no cache where that can't be done.

    Kernels release the interpreter's lock, so that signals and progress get through while they run.
    """
    options.setdefault("nogil", True)

    def compiled(function: Function) -> Function:
        found = _with_cache(function, options) if cache else None
        return numba.njit(**options)(function) if found is None else found  # type: ignore[no-any-return]

    return compiled


def plain(values: NDArray[Any]) -> NDArray[np.float64]:
    """The same numbers as an array of the one kind that kernels are compiled for: for another, read-only or with gaps in memory,
    they would be compiled again."""
    return np.require(values, np.float64, ["C", "W"])


def of_plain_arrays(kernel: Function) -> Function:
    """A kernel of arrays alone that is given each of them `plain`; other kernels can't call it."""

    @wraps(kernel)
    def given(*arrays: NDArray[Any]) -> Any:
        return kernel(*map(plain, arrays))

    return cast(Function, given)


def _with_cache(function: Function, options: dict[str, Any]) -> Any:
    """The kernel with a marked cache; None where it can have none."""
    try:
        stamp = source_stamp(function.__module__)
        dispatcher: Any = numba.njit(cache=True, **options)(function)
        index = dispatcher._cache._cache_file
        # looked at before the rest is unpickled, which fails where a class in a signature has moved since
        index._version = f"{index._version} {stamp}"
        index._load_data = partial(_read_code, index)
        dispatcher._cache.load_overload = partial(_kept, dispatcher._cache)
    except (ImportError, OSError, RuntimeError, AttributeError):
        # no source, no folder that can be written, or a library that keeps its cache in another way
        return None
    return dispatcher


def _kept(cache: Any, signature: Any, target: Any) -> Any:
    """Code of a kernel that was kept, as numba loads it; None where there is none.

    All that numba knows of functions that kernels may call, half a second of a command, is left for the compiler to load.
    """
    rtsys.initialize(target)  # type: ignore[no-untyped-call, unused-ignore]
    with cache._guard_against_spurious_io_errors():
        return cache._load_overload(signature, target)


def _read_code(index: Any, name: str) -> Any:
    """What a file of kept code holds. Raises OSError."""
    path = index._data_path(name)
    return _CodeReader(io.BytesIO(SourceFileLoader(name, path).get_data(path))).load()


class _CodeReader(pickle.Unpickler):
    """Reads kept code without loading the modules of numba that functions inside it come from."""

    def find_class(self, module: str, name: str) -> Any:
        found = super().find_class(module, name)
        return _rebuilt_environment if found is ENVIRONMENTS._rebuild_env else found


def _rebuilt_environment(module: str, constants: list[Any], name: str) -> Any:
    """Constants of a compiled function; of the names in its module, which only interpreted code looks up, there is none."""
    if module in sys.modules or not module.startswith("numba."):
        return ENVIRONMENTS._rebuild_env(module, constants, name)
    rebuilt = ENVIRONMENTS.lookup_environment(name)
    if rebuilt is None:
        rebuilt = ENVIRONMENTS.Environment({"__name__": module})
        rebuilt.consts[:] = constants
        rebuilt.env_name = name
        ENVIRONMENTS.Environment._memo[name] = rebuilt
    return rebuilt


@remembered
def source_stamp(module: str) -> str:
    """Digest of a module's source and of all of this package that it imports, directly or not. Raises ImportError, OSError."""
    digests = (source_of(one)[0] for one in sorted(needed(module)))
    return hashlib.blake2b(b"".join(digests), digest_size=16).hexdigest()


def needed(module: str) -> set[str]:
    """A module and all of this package that it imports, directly or not."""
    waiting, seen = [module], {module}
    while waiting:
        fresh = source_of(waiting.pop())[1] - seen
        seen |= fresh
        waiting.extend(fresh)
    return seen


_spec = remembered(find_spec)


@remembered
def source_of(module: str) -> tuple[bytes, frozenset[str]]:
    """Digest of a module's source, and what of this package it imports, also for type checking or inside functions."""
    spec = _spec(module)
    if spec is None or spec.origin is None:
        raise ImportError(f"no source of {module}")
    text: bytes = spec.loader.get_data(spec.origin)  # type: ignore[union-attr]
    imported: set[str] = set()
    for parent, names in IMPORTS.findall(text):
        found = _spec(parent.decode())
        if found is not None and found.submodule_search_locations is None:
            imported.add(found.name)
        elif found is not None:
            inside = (f"{found.name}.{name.decode()}" for name in re.findall(rb"\w+", names))
            imported |= {name for name in inside if _spec(name) is not None}
    return hashlib.blake2b(text, digest_size=16).digest(), frozenset(imported)
