"""JSON Schemas (draft 2020-12) of the TOML inputs, for editors: written from the models that read the files.

`python -m yieldsim.files.editor_schemas` writes them anew beside the demo files, which
name them in their first lines. Checks between keys are
the reader's alone; what a key takes in several forms (hours, weekdays) is left open.
"""

from __future__ import annotations

import json
from typing import Any

from pydantic.json_schema import GenerateJsonSchema

from yieldsim.base.load_model import DOUBTS
from yieldsim.files.inputs.body import BodyFile
from yieldsim.files.inputs.collector import CollectorFile
from yieldsim.files.inputs.design import DesignFile
from yieldsim.files.inputs.load import LoadFile
from yieldsim.files.inputs.site import SiteFile
from yieldsim.files.inputs.uncertainty import UncertainFile
from yieldsim.files.key_descriptions import DESCRIPTIONS
from yieldsim.files.prescription.read import PrescriptionFile
from yieldsim.files.text.bundled import sites_folder
from yieldsim.files.text.json_schema import DRAFT, untitled
from yieldsim.files.toml.model import LONGEST_TEXT, StrictModel

MODELS: dict[str, type[StrictModel]] = {
    "site": SiteFile,
    "collector": CollectorFile,
    "body": BodyFile,
    "load": LoadFile,
    "uncertainty": UncertainFile,
    "prescription": PrescriptionFile,
    "design": DesignFile,
}
FREE = frozenset(
    {"as_windows", "as_weekdays", "as_mission_days", "as_monthly_factors", "as_seasonal_factors"}
)
LISTS = frozenset({"as_mast_heights", "as_capacities", "as_facings", "as_values"})


class _EditorSchema(GenerateJsonSchema):
    """Before-validators of files, names and moments say what a file may hold, not what becomes of it."""

    def function_before_schema(self, schema: Any) -> dict[str, Any]:
        name = getattr(schema["function"]["function"], "__qualname__", "")
        if name.startswith("NumberCheck"):
            return super().function_before_schema(schema)
        if name in FREE:
            return {}
        if name in LISTS:
            return {"type": "array"}
        if name == "_text":
            return {"type": "string", "minLength": 1, "maxLength": LONGEST_TEXT}
        if name == "_what":
            return {"enum": list(DOUBTS)}
        if name == "_moment":
            return {"type": "string", "description": "A date, or a date and time"}
        if name.startswith(("named_file", "existing_file", "_body")):
            return {"type": "string", "minLength": 1}
        return super().function_before_schema(schema)


def editor_schema(role: str) -> dict[str, Any]:
    """The schema of the files of a role, a key of MODELS."""
    model = MODELS[role]
    made = model.model_json_schema(schema_generator=_EditorSchema)
    tables = {model.__name__: made, **made.get("$defs", {})}
    for name, table in tables.items():
        for key, value in table.get("properties", {}).items():
            value["description"] = DESCRIPTIONS[role][name][key]
    plain: dict[str, Any] = untitled(made, _plain)
    return {"$schema": DRAFT, **plain, "title": f"yieldsim {role} file"}


def _plain(table: dict[str, Any]) -> dict[str, Any]:
    """Without null, which TOML has not, and without defaults that stand for a left-out key."""
    made = dict(table)
    if "anyOf" in made:
        kept = [one for one in made.pop("anyOf") if one != {"type": "null"}]
        made = {**made, **kept[0]} if len(kept) == 1 else {**made, "anyOf": kept}
        if "description" in table:
            made["description"] = table["description"]
    if "default" in made and isinstance(made["default"], dict | list | None):
        del made["default"]
    return made


def schema_file(role: str) -> str:
    """The name of a role's schema file."""
    return f"{role}.schema.json"


def schema_text(role: str) -> str:
    """A schema as its file holds it."""
    return json.dumps(editor_schema(role), indent=1) + "\n"


if __name__ == "__main__":
    for one in MODELS:
        (sites_folder() / schema_file(one)).write_text(schema_text(one), encoding="utf-8")
