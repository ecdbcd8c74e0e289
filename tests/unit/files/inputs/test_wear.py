"""Removal by grain size, its stated range, and [radiation]: read, refused in words, written so that they are read again."""

import re
import shutil

import numpy as np
import pytest

from yieldsim.base.errors import InputError
from yieldsim.files.describe import recognised
from yieldsim.files.inputs.collector_writer import collector_files
from yieldsim.files.inputs.readers import read_collector
from yieldsim.files.text.bundled import sites_folder

GRAINS = """
[shield.grains]
table = "grains.csv"
median_um = 5.8
geometric_sd = 1.6
"""


@pytest.fixture
def collector(tmp_path):
    for name in ("insulated.collector.toml", "narrow.acceptance.csv"):
        shutil.copy(sites_folder() / name, tmp_path)
    (tmp_path / "grains.csv").write_text("grain_diameter_um,removal_fraction\n2,0.2\n5,0.45\n20,0.95\n")
    return tmp_path / "insulated.collector.toml"


def by_size(path):
    """The collector with a removal by grain size in place of a number and its range."""
    lines = [
        line for line in path.read_text().split("\n") if not re.match(r"(removal|lowest_|highest_)", line)
    ]
    path.write_text("\n".join(lines).replace("\n[radiation]", GRAINS + "\n[radiation]", 1))
    return path


def changed(path, before, after):
    text = path.read_text()
    assert before in text
    path.write_text(text.replace(before, after, 1))
    return path


def test_a_range_and_a_dose_are_written_and_read_again(collector, tmp_path):
    given = read_collector(collector).noun
    assert (given.shield.lowest_removal, given.shield.highest_removal) == (0.47, 0.98)
    assert given.radiation.fibre_exponent == 0.607
    for name, text in collector_files(given, "again").items():
        (tmp_path / name).write_text(text)
    again = read_collector(tmp_path / "again.toml").noun
    assert again.shield == given.shield
    assert again.radiation == given.radiation


def test_grains_are_read_told_and_written(collector, tmp_path):
    given = read_collector(by_size(collector)).noun
    assert given.shield.removal == 0.0
    assert given.shield.cleans
    np.testing.assert_array_equal(given.shield.grains.removal_fraction, [0.2, 0.45, 0.95])
    for name, text in collector_files(given, "again").items():
        (tmp_path / name).write_text(text)
    again = read_collector(tmp_path / "again.toml").noun.shield.grains
    np.testing.assert_array_equal(again.diameter_um, given.shield.grains.diameter_um)
    assert (again.median_um, again.geometric_sd) == (5.8, 1.6)
    assert "grain removal table, 2 to 20 um, 0.2 to 0.95" in recognised(tmp_path / "grains.csv").words
    assert "0.116 Gy a year" in recognised(collector).words


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("lowest_removal = 0.47", "", r"\[shield\] lowest_removal is missing \(a range has two ends\)"),
        ("removal = 0.77", "removal = 0.3", "holds 0.47 to 0.98 around a removal of 0.3"),
        ("highest_removal = 0.98", "highest_removal = 1.2", "highest_removal is 1.2; allowed: 0 to 1"),
        ("fibre_db_per_km = 1.2", "", r"fibre_exponent stands without fibre_db_per_km"),
        ("dose_gy_per_year = 0.116", "dose_gy_per_year = -1", "dose_gy_per_year is -1; allowed: 0 to"),
        (
            "lens_loss_per_kgy = 0.002",
            "lens_loss_per_kgy = 1.0",
            "lens_loss_per_kgy is 1.0; allowed: .*less than 1",
        ),
        ("fibre_exponent", "fibre_exponant", "fibre_exponant.*fibre_exponent"),
    ],
)
def test_wrong_wear_is_told_by_key(collector, before, after, told):
    with pytest.raises(InputError) as error:
        read_collector(changed(collector, before, after))
    assert re.search(told, str(error.value))


def test_sizes_take_the_place_of_the_number(collector):
    by_size(collector)
    with pytest.raises(InputError, match="removal stands beside grains"):
        read_collector(changed(collector, "cycle_hours = 168.0", "removal = 0.5\ncycle_hours = 168.0"))


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ("5,0.4\n2,0.2\n", "grain_diameter_um.*"),
        ("2,0.2\n", "has one row"),
        ("2,0.2\n5,1.4\n", 'removal_fraction is "1.4"; allowed: 0 to 1'),
    ],
)
def test_wrong_grain_tables_are_told(collector, tmp_path, rows, told):
    by_size(collector)
    (tmp_path / "grains.csv").write_text("grain_diameter_um,removal_fraction\n" + rows)
    with pytest.raises(InputError, match=told):
        read_collector(collector)
