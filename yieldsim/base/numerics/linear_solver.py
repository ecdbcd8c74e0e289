"""Linear programmes given to HiGHS, kept there while columns come in and limits move.

    least cost x,   matrix x <= most,   0 <= x <= upper

Q. Huangfu, J. A. J. Hall, "Parallelizing the dual revised simplex method", Math. Prog. Comp. 10, 2018. What is asked again begins
from the last answer's basis: with the primal simplex method where columns came in, with the dual one where limits moved, some ten
times sooner than anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.base.errors import CannotCompute
from yieldsim.base.numerics.native_prints import prints_unheard
from yieldsim.base.numerics.vectors import FloatArray

Places = NDArray[np.int64]
WAYS = (("ipm", "on"), ("choose", "on"), ("simplex", "off"))
"""Solver and presolve, one after the other where one gives up; small programmes the other way round (8 ms for 18)."""
SMALL_ROWS = 2000
DUAL, PRIMAL = 1, 4
FEW_STEPS, TIDYING, MOST_STEPS = 4, 2, 40
"""An answer that is far from the last one is sooner found anew: after one step of the dual method for so many rows.
The simplex method tidies up after an interior point in so many steps a row, or goes round in circles, as it may elsewhere, too."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Answer:
    """A solution.

    x       (columns,)
    price   (rows,)  how much less it costs where a right side is one higher; below 0, how much more, where a row's least holds it
    """

    cost: float
    x: FloatArray
    price: FloatArray


class Model:
    """A programme in the solver."""

    def __init__(self, cost: FloatArray, matrix: Any, most: FloatArray, upper: FloatArray) -> None:
        """cost, upper (columns,); matrix, sparse, (rows, columns); most (rows,)."""
        import highspy

        self._solver, self._rows, self._columns = _new_solver(), len(most), len(cost)
        self._solved, self._moved = highspy.HighsModelStatus.kOptimal, False
        self._none = highspy.HighsModelStatus.kInfeasible
        self._known, self._bounds = False, dict[int, tuple[float, float]]()
        columns = matrix.tocsc()
        made = highspy.HighsLp()
        made.num_col_, made.num_row_ = self._columns, self._rows
        made.col_cost_, made.col_lower_, made.col_upper_ = cost, np.zeros(self._columns), upper
        made.row_lower_, made.row_upper_ = np.full(self._rows, -np.inf), most
        made.a_matrix_.start_, made.a_matrix_.index_ = columns.indptr, columns.indices
        made.a_matrix_.value_ = columns.data
        self._solver.passModel(made)

    def admit(self, cost: FloatArray, matrix: Any) -> Places:
        """Further columns (new,), without upper limits; where they stand. matrix (rows, new) may lack the last rows, then 0."""
        new, columns = len(cost), matrix.tocsc()
        self._solver.addCols(
            new,
            np.ascontiguousarray(cost, dtype=np.float64),
            np.zeros(new),
            np.full(new, np.inf),
            columns.nnz,
            columns.indptr[:-1].astype(np.int32),
            columns.indices.astype(np.int32),
            columns.data,
        )
        first, self._columns = self._columns, self._columns + new
        return np.arange(first, self._columns)

    def limit(self, columns: Places, values: FloatArray) -> int:
        """A further row, free until `bound`; where it stands."""
        self._solver.addRow(
            -np.inf, np.inf, len(columns), columns.astype(np.int32), np.asarray(values, dtype=np.float64)
        )
        self._rows += 1
        self._bounds[self._rows - 1] = -np.inf, np.inf
        return self._rows - 1

    def bound(self, row: int, least: float, most: float) -> None:
        """What a row of `limit` may come to."""
        if self._bounds[row] == (least, most):
            return
        self._bounds[row] = least, most
        self._solver.changeRowBounds(row, least, most)
        self._moved = True

    def change(self, row: int, column: int, value: float, most: float) -> None:
        """Another coefficient of a row, and another right side."""
        self._solver.changeCoeff(row, column, value)
        self._solver.changeRowBounds(row, -np.inf, most)
        self._moved = True

    def charge(self, columns: Places, cost: FloatArray) -> None:
        """Costs of columns."""
        self._solver.changeColsCost(
            len(columns), columns.astype(np.int32), np.asarray(cost, dtype=np.float64)
        )

    def answer(self, *, possible: bool = False) -> Answer | None:
        """The least cost; None where nothing fulfils the rows.

        possible   something does: a way that denies it is passed over, and small programmes begin with the simplex method
        Raises CannotCompute where the solver gives up.
        """
        ways = WAYS[::-1] if possible and self._rows < SMALL_ROWS else WAYS
        again = [("simplex", "off")] if self._known else []
        status = None
        for place, (solver, presolve) in enumerate([*again, *ways]):
            if place > 0:
                self._solver.clearSolver()
            primal = bool(again) and place == 0 and not self._moved
            self._solver.setOptionValue("simplex_strategy", PRIMAL if primal or solver == "ipm" else DUAL)
            if again and place == 0 and not primal:
                most = self._rows // FEW_STEPS
            else:
                most = self._rows * (TIDYING if solver == "ipm" else MOST_STEPS)
            self._solver.setOptionValue("simplex_iteration_limit", most)
            self._solver.setOptionValue("solver", solver)
            self._solver.setOptionValue("presolve", presolve)
            self._solver.run()
            status = self._solver.getModelStatus()
            if status == self._solved:
                self._known, self._moved = True, False
                found = self._solver.getSolution()
                return Answer(
                    cost=float(self._solver.getInfo().objective_function_value),
                    x=np.asarray(found.col_value, dtype=np.float64),
                    price=-np.asarray(found.row_dual, dtype=np.float64),
                )
            if status == self._none and not possible:
                self._known = False
                return None
        told = self._solver.modelStatusToString(status)
        raise CannotCompute(f"the linear programme was not solved: {told}")


def _new_solver() -> Any:
    import highspy

    _heard_no_more()
    made: Any = highspy.Highs()  # type: ignore[no-untyped-call, unused-ignore]
    made.setOptionValue("output_flag", False)
    return made


@cache
def _heard_no_more() -> None:
    """Let the library print its banner, which comes with the first solver whatever its options say, where nobody hears it."""
    import highspy

    with prints_unheard():
        highspy.Highs()  # type: ignore[no-untyped-call, unused-ignore]
