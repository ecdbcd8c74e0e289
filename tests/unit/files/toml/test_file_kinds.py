"""A file given as what it is not is told in one line, a foreign table where it belongs."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from yieldsim.base.errors import InputError
from yieldsim.files.describe import WORDS
from yieldsim.files.inputs.body import BodyFile
from yieldsim.files.inputs.collector import CollectorFile
from yieldsim.files.inputs.load import LoadFile, load_of
from yieldsim.files.inputs.readers import read_body, read_collector, read_site
from yieldsim.files.inputs.site import SiteFile
from yieldsim.files.inputs.uncertainty import UncertainFile, uncertain_of
from yieldsim.files.prescription.read import PrescriptionFile, prescription_of
from yieldsim.files.text.bundled import sites_folder
from yieldsim.files.toml.context import Reading
from yieldsim.files.toml.file_kinds import TOP_KEYS, home_of, taken_for

DEMO = {
    "site": "lantern-ridge.toml",
    "collector": "wide.collector.toml",
    "prescription": "polar-dome.optics.toml",
    "load": "habitat.load.toml",
    "uncertainty": "lantern-ridge.uncertain.toml",
}
READERS: dict[str, Callable[[Path], Any]] = {
    "site": read_site,
    "collector": read_collector,
    "body": read_body,
    "prescription": lambda path: prescription_of(Reading(path)),
    "load": lambda path: load_of(Reading(path)),
    "uncertainty": lambda path: uncertain_of(Reading(path)),
}


def told(read: Callable[[Path], Any], path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(path)
    return str(caught.value).split("\n")


@pytest.mark.parametrize(
    ("kind", "model"),
    [
        ("site", SiteFile),
        ("collector", CollectorFile),
        ("body", BodyFile),
        ("prescription", PrescriptionFile),
        ("load", LoadFile),
        ("uncertainty", UncertainFile),
    ],
)
def test_keys_by_kind_are_those_of_the_models(kind: str, model: Any) -> None:
    assert TOP_KEYS[kind] == frozenset(model.model_fields)


def test_every_kind_has_words() -> None:
    assert set(WORDS) == set(TOP_KEYS)


@pytest.mark.parametrize("given", DEMO)
@pytest.mark.parametrize("wanted", READERS)
def test_a_file_of_another_kind_is_one_line(folder, given: str, wanted: str) -> None:
    shutil.copy(sites_folder() / DEMO[given], folder.path / "file.toml")
    if given == wanted:
        assert taken_for(TOP_KEYS[given], wanted) is None
        return
    article = {kind: "an" if kind == "uncertainty" else "a" for kind in READERS}
    assert told(READERS[wanted], folder.path / "file.toml") == [
        f"file.toml: looks like {article[given]} {given} file; allowed: {article[wanted]} {wanted} file here"
    ]


def test_a_collector_named_as_the_body_of_a_site(folder) -> None:
    path = folder.site(('body = "moon"', 'body = "./collector.toml"'))
    assert told(read_site, path) == ["collector.toml: looks like a collector file; allowed: a body file here"]


def test_a_spoilt_file_is_still_read_as_what_it_was_given_for(folder) -> None:
    """Half of the keys misspelt and two foreign tables do not make a site a collector."""
    path = folder.site(
        ("longitude_deg", "longitud_deg"),
        ("mast_height_m", "mast_hight"),
        ("[dust]", "[fibre]\nlength_m = 3\n[shield]\nfilm_transmittance = 0.9\n[dust]"),
    )
    lines = told(read_site, path)
    assert 'site.toml line 4: unknown key "longitud_deg" (did you mean longitude_deg?)' in lines
    assert (
        "site.toml line 11: unknown table [fibre] (it belongs in a collector or prescription file)" in lines
    )
    assert "site.toml line 13: unknown table [shield] (it belongs in a collector file)" in lines


def test_home_of_keys() -> None:
    assert home_of("rotation", "collector") == "it belongs in a body file"
    assert home_of("loads", "site") == "it belongs in a load file"
    assert home_of("draws", "site") == "it belongs in an uncertainty file"
    assert home_of("dust", "site") == ""
    assert home_of("colour", "site") == ""
