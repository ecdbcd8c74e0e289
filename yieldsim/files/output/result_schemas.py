"""JSON Schemas (draft 2020-12) of what the commands answer.

`python -m yieldsim.files.output.result_schemas` writes the schemas anew, beside the demo files and the schemas of inputs.
"""

from __future__ import annotations

import json
from typing import Any

from yieldsim.base.results.budget import BudgetResult
from yieldsim.base.results.checks import adapter
from yieldsim.base.results.design import DesignResult
from yieldsim.base.results.estimate import EstimateResult
from yieldsim.base.results.ground import HorizonResult, SurveyResult
from yieldsim.base.results.growth import GrowthResult
from yieldsim.base.results.optics import TraceResult, TuneResult
from yieldsim.base.results.orient import OrientResult
from yieldsim.base.results.rank import RankResult
from yieldsim.files.text.bundled import sites_folder
from yieldsim.files.text.json_schema import DRAFT, untitled

RESULTS: dict[str, type] = {
    "estimate": EstimateResult,
    "orient": OrientResult,
    "rank": RankResult,
    "budget": BudgetResult,
    "survey": SurveyResult,
    "horizon": HorizonResult,
    "trace": TraceResult,
    "tune": TuneResult,
    "design": DesignResult,
    "growth": GrowthResult,
}
"""By command."""


def result_schema(command: str) -> dict[str, Any]:
    """The schema of a command's answer, a key of RESULTS."""
    made = untitled(adapter(RESULTS[command]).json_schema())
    head = {"$schema": DRAFT, "title": f"what yieldsim {command} answers"}
    return head | {key: value for key, value in made.items() if key != "title"}


def result_schema_file(command: str) -> str:
    """The name of a command's schema file."""
    return f"{command}.result.schema.json"


def result_schema_text(command: str) -> str:
    """A schema as its file holds it."""
    return json.dumps(result_schema(command), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    for one in RESULTS:
        (sites_folder() / result_schema_file(one)).write_text(result_schema_text(one), encoding="utf-8")
