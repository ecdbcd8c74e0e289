"""Schemas of what the commands answer: as committed, and true of answers."""

from __future__ import annotations

import json
from copy import deepcopy
from typing import Any

import pytest

from yieldsim.base.results.checks import faults
from yieldsim.files.output.result_schemas import (
    RESULTS,
    result_schema,
    result_schema_file,
    result_schema_text,
)
from yieldsim.files.text.bundled import sites_folder

HORIZON: dict[str, Any] = {
    "schema": "yieldsim horizon 1", "site": "Ridge", "body": "Moon", "ground_m": 1.0, "mast_height_m": 2.0,
    "lowest_deg": -1.0, "highest_deg": 3.0, "mean_deg": 0.5, "farthest_km": 80.0, "edge_km": 300.0, "unknown_ground": None,
    "warnings": [], "terrain": [{"name": "a.tif", "sha256": "00"}],
}  # fmt: skip


@pytest.mark.parametrize("command", RESULTS)
def test_the_files_are_those_of_the_models(command):
    """After a change of a model: `python -m yieldsim.files.output.result_schemas` writes them anew."""
    text = (sites_folder() / result_schema_file(command)).read_text(encoding="utf-8")
    assert text == result_schema_text(command)


@pytest.mark.parametrize("command", RESULTS)
def test_keys_that_every_answer_has_are_required_and_words_describe(command):
    schema = result_schema(command)
    assert "schema" in schema["required"]
    assert schema["description"]
    for table in schema.get("$defs", {}).values():
        assert table["description"], table


def test_a_schema_is_the_same_whatever_was_held_against_it_before():
    before = result_schema_text("horizon")
    assert faults(RESULTS["horizon"], HORIZON | {"surplus": 1}, whole=True) == ["surplus is not of the model"]
    assert result_schema_text("horizon") == before
    assert faults(RESULTS["horizon"], HORIZON | {"surplus": 1}) == []


def test_an_answer_is_held_against_its_model():
    model = RESULTS["horizon"]
    assert faults(model, HORIZON, whole=True) == []
    spoilt = deepcopy(HORIZON)
    del spoilt["site"]
    spoilt |= {"lowest_deg": "low", "highest_deg": float("nan"), "mean_deg": 1e30, "surplus": 1}
    spoilt["terrain"][0]["name"] = 5
    assert sorted(faults(model, spoilt, whole=True)) == [
        "highest_deg is not a number",
        "lowest_deg is not a number",
        "site is missing",
        "surplus is not of the model",
        "terrain #1 name is not text",
    ]
    assert faults(model, HORIZON | {"mean_deg": 1e30}) == ["mean_deg is not a number"]
    assert faults(model, []) == ["it is not a table"]
    json.dumps(result_schema("horizon"))
