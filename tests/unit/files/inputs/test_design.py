"""Design files: what is varied in a prescription is held against it, and problems between files are told with their lines."""

from __future__ import annotations

import shutil

import pytest

from yieldsim.base.errors import InputError
from yieldsim.files.inputs.design import read_design
from yieldsim.files.text.bundled import sites_folder


@pytest.fixture
def design(tmp_path):
    """A writer of the demo's design file, with a collector that names a prescription and further lines at the end."""
    for path in sites_folder().iterdir():
        if path.suffix in (".toml", ".csv"):
            shutil.copy(path, tmp_path / path.name)
    text = (tmp_path / "wide.collector.toml").read_text(encoding="utf-8")
    text = text.replace('table = "wide.acceptance.csv"', 'prescription = "half-metre-lens.optics.toml"')
    text = text.replace('source = "point"  ', "#").replace("0.00503", "0.19635")
    (tmp_path / "lens.collector.toml").write_text(text, encoding="utf-8")

    def written(*varied, collector="lens.collector.toml", tail=""):
        text = (tmp_path / "lantern-ridge.design.toml").read_text(encoding="utf-8")
        text = text.replace("wide.collector.toml", collector)
        for keys, values in varied:
            text += f'[[vary]]\ncollector = "{collector}"\nkeys = "{keys}"\nvalues = {values}\n'
        path = tmp_path / "asks.design.toml"
        path.write_text(text + tail, encoding="utf-8")
        return path

    return written


def problems(path):
    with pytest.raises(InputError) as caught:
        read_design(path)
    return [str(one).split(f"{path.name} ", 1)[-1] for one in caught.value.problems]


def lines(path, start):
    """Numbers of the lines that begin so."""
    text = path.read_text(encoding="utf-8").splitlines()
    return [number for number, line in enumerate(text, start=1) if line.startswith(start)]


def test_keys_that_no_prescription_has_are_told_with_file_and_line(design):
    path = design(("funnel.lenth_m", [0.05]), ("fibre.numerical_aperture", [0.45]))
    (number, _) = lines(path, "keys =")
    (problem,) = problems(path)
    assert problem.startswith(f'line {number}: [[vary]] #1 keys names "funnel.lenth_m"')
    assert "did you mean funnel.length_m?" in problem


@pytest.mark.parametrize(
    "varied",
    [
        [("fibre.numerical_aperture", [0.45]), ("numerical_aperture", [0.5])],
        [("fibre.numerical_aperture", [0.45]), ("funnel.length_m,numerical_aperture*8", [0.06])],
        [("fibre.numerical_aperture,numerical_aperture*2", [0.45])],
    ],
    ids=["two tables", "a linked one", "one table"],
)
def test_no_key_is_varied_twice(design, varied):
    (problem,) = problems(design(*varied))
    assert f"[[vary]] #{len(varied)} keys name fibre.numerical_aperture twice" in problem


def test_values_that_make_no_prescription_are_told_once_each(design):
    path = design(("fibre.numerical_aperture", [0.45, -3.0]), ("lens.groove_count", [-0.5, 100.0, 200.0]))
    number = lines(path, "values =")[-1]
    found = problems(path)
    assert len(found) == 2
    for one, words in zip(found, ("groove_count is 0", "numerical_aperture is -3"), strict=True):
        assert one.startswith(f"line {number}: [[vary]] #2 values")
        assert words in one


def test_problems_between_files_have_lines(design):
    link = '[link]\nsite = "ember-rim.toml"\nkind = "cable"\nlength_km = 8.0\nloss_per_km_fraction = 0.1\n'
    path = design(("x", [1.0]), collector="wide.collector.toml", tail=link)
    found = problems(path)
    for key, start in (("[[vary]] #1 collector", "collector ="), ("[link] site", "site =")):
        (number,) = lines(path, start)
        assert any(one.startswith(f"line {number}: {key}") for one in found), found
