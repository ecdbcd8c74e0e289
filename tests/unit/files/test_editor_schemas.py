"""The schemas for editors: those beside the demo files are today's, complete, and named by the files."""

import re
import tomllib

import pytest

from yieldsim.files.editor_schemas import MODELS, editor_schema, schema_file, schema_text
from yieldsim.files.key_descriptions import DESCRIPTIONS
from yieldsim.files.starter import write_starter
from yieldsim.files.text.bundled import sites_folder
from yieldsim.files.toml.file_kinds import TOP_KEYS


def tables(role):
    schema = editor_schema(role)
    return {"": schema, **schema.get("$defs", {})}


@pytest.mark.parametrize("role", MODELS)
def test_the_shipped_schema_is_what_the_models_say(role):
    """After a change of a model: `python -m yieldsim.files.editor_schemas` writes them anew."""
    assert (sites_folder() / schema_file(role)).read_text(encoding="utf-8") == schema_text(role)


@pytest.mark.parametrize("role", MODELS)
def test_every_key_has_a_description_and_no_other_key_is_let_in(role):
    assert set(editor_schema(role)["properties"]) == TOP_KEYS[role]
    for table in tables(role).values():
        assert table["additionalProperties"] is False
        assert all(value["description"] for value in table["properties"].values())


def test_numbers_have_the_ranges_of_the_reader():
    mount = tables("collector")["MountTable"]["properties"]
    assert (mount["tilt_deg"]["minimum"], mount["tilt_deg"]["maximum"]) == (0.0, 180.0)
    assert mount["count"] == {
        "default": 1,
        "description": "Number of units on this mount",
        "maximum": 1_000_000,
        "minimum": 1,
        "type": "integer",
    }
    dust = tables("site")["DustTable"]["properties"]["loss_per_day"]
    assert (dust["minimum"], dust["exclusiveMaximum"]) == (0.0, 1.0)


@pytest.mark.parametrize("path", sorted(sites_folder().glob("*.toml")), ids=lambda path: path.name)
def test_demo_files_name_a_schema_that_knows_their_keys(path):
    text = path.read_text(encoding="utf-8")
    named = re.match(r"#:schema (\S+)\n", text)
    assert named is not None
    assert (path.parent / named[1]).is_file()
    role = named[1].removesuffix(".schema.json")
    assert set(tomllib.loads(text)) <= set(editor_schema(role)["properties"])


def test_the_moons_starter_set_explains_every_key(tmp_path):
    """Schemas left aside, which hold every key anyway; body files have an example of their own."""
    names = write_starter(tmp_path, optics=True)
    text = "\n".join(
        (tmp_path / name).read_text(encoding="utf-8")
        for name in names
        if not name.endswith((".json", ".csv"))
    )
    words = set(re.findall(r"\w+", text))
    tables = [one for role, some in DESCRIPTIONS.items() if role != "body" for one in some.values()]
    assert {key for keys in tables for key in keys} - words == set()
