"""Whole units by flight and facing as an integer programme: that of all phases, over the facings at hand.

HiGHS (see `base.numerics.linear_solver`) branches until the best found is proven to GAP, or so many nodes are passed: a limit of
nodes and not of time, so that the same answer comes on every machine. Its dispatch knows the run beforehand; what is found is a
start.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

import numpy as np
from numpy.typing import NDArray

from yieldsim.planning.growth.phases import Landing, Phase
from yieldsim.planning.growth.programme import of_phase, others, unit_columns, unit_costs
from yieldsim.planning.orientation.mount_frames import Facings
from yieldsim.planning.system.row_aggregation import Blocks

GAP, MOST_NODES = 1e-3, 500
MOST_COLUMNS = 3000
"""Of a larger programme (a year of hours in several phases) each node takes seconds: it is not begun."""


def whole_counts(
    phases: Sequence[Phase], landing: Landing, blocks: Sequence[Blocks], some: Facings, flight: NDArray[np.int64]
) -> NDArray[np.int64] | None:  # fmt: skip
    """Units of each mount, (mounts,), that cost least by the programme; None where none was found, or it is too large.

    some, flight   facings of the mounts, and which flight lands each
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import hstack

    made = [of_phase(phase, phase.lights_kwh(some), cut) for phase, cut in zip(phases, blocks, strict=True)]
    rest, most, rest_cost, rest_upper = others(made, phases, landing)
    units = landing.flights * some.count
    cost = np.concatenate([unit_costs(landing, some.count), rest_cost])
    if len(cost) > MOST_COLUMNS:
        return None
    matrix = hstack([unit_columns(made, phases, landing, some.count), rest]).tocsr()
    upper = np.concatenate([np.full(units, np.inf), rest_upper])
    own = np.repeat(np.arange(landing.flights), some.count) == np.tile(flight, landing.flights)
    upper[:units] = np.where(own, landing.most_units, 0.0)
    with silent_stdout():
        found = milp(
            cost,
            constraints=LinearConstraint(matrix, -np.inf, most),
            bounds=Bounds(0.0, upper),
            integrality=np.arange(len(cost)) < units,
            options={"node_limit": MOST_NODES, "mip_rel_gap": GAP},
        )
    if found.x is None:
        return None
    counts = np.round(found.x[:units]).astype(np.int64).reshape(landing.flights, some.count)
    return np.asarray(counts[flight, np.arange(some.count)])


@contextmanager
def silent_stdout() -> Iterator[None]:
    """HiGHS now and then prints a line of its own where an answer as JSON goes, whatever it is told."""
    try:
        there = os.dup(1)
    except OSError:
        # nothing is there to be printed to
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    with suppress(OSError, ValueError, AttributeError):
        sys.stdout.flush()
    _flush()
    os.dup2(nowhere, 1)
    try:
        yield
    finally:
        _flush()
        os.dup2(there, 1)
        os.close(there)
        os.close(nowhere)


def _flush() -> None:
    with suppress(OSError, AttributeError):
        ctypes.CDLL("ucrtbase" if os.name == "nt" else None).fflush(None)
