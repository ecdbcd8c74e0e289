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
from yieldsim.base.results.optics import TraceResult, TuneResult
from yieldsim.base.results.orient import OrientResult
from yieldsim.base.results.rank import RankResult
from yieldsim.files.text.bundled import sites_folder

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
}
"""By command."""


def result_schema(command: str) -> dict[str, Any]:
    """The schema of a command's answer, a key of RESULTS."""
    made = _plain(adapter(RESULTS[command]).json_schema())
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"what yieldsim {command} answers",
    }
    return head | {key: value for key, value in made.items() if key != "title"}


def result_schema_file(command: str) -> str:
    """The name of a command's schema file."""
    return f"{command}.result.schema.json"


def result_schema_text(command: str) -> str:
    """A schema as its file holds it."""
    return json.dumps(result_schema(command), indent=1, ensure_ascii=False) + "\n"


def _plain(node: Any) -> Any:
    """Without the titles that repeat keys."""
    if isinstance(node, list):
        return [_plain(one) for one in node]
    if not isinstance(node, dict):
        return node
    made = {key: _plain(value) for key, value in node.items()}
    if isinstance(made.get("title"), str):
        del made["title"]
    return made


if __name__ == "__main__":
    for one in RESULTS:
        (sites_folder() / result_schema_file(one)).write_text(result_schema_text(one), encoding="utf-8")
