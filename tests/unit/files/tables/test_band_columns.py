"""Band columns of acceptance tables: read, written, and refused where they contradict the whole."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.errors import InputError
from yieldsim.base.model import AcceptanceBands, BiaxialAcceptance, RoundAcceptance
from yieldsim.files.inputs.collector_writer import acceptance_columns, acceptance_csv
from yieldsim.files.inputs.readers import read_collector
from yieldsim.files.tables.lookup_tables import acceptance_cells
from yieldsim.files.text.bundled import sites_folder
from yieldsim.files.toml.context import Reading
from yieldsim.runs.noun_checks import noun_problems

GOOD = """incidence_deg,acceptance_fraction,acceptance_700_100000_nm,acceptance_400_700_nm
0,0.7,0.8,0.6
5,0.6,0.7,0.5
9,0,0,0
"""


def read(tmp_path: Path, text: str) -> AcceptanceBands | None:
    path = tmp_path / "bands.csv"
    path.write_text(text)
    reading = Reading(path)
    cells = acceptance_cells(reading)
    assert reading.warnings.lines == []
    return cells.bands


def refusal(tmp_path: Path, text: str) -> str:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    return str(caught.value)


def test_bands_are_read_in_the_order_of_wavelength(tmp_path: Path) -> None:
    bands = read(tmp_path, GOOD)
    assert bands is not None
    np.testing.assert_array_equal(bands.wavelength_nm, [[400, 700], [700, 100_000]])
    np.testing.assert_array_equal(bands.acceptance_fraction, [[0.6, 0.5, 0], [0.8, 0.7, 0]])


def test_a_table_without_bands_has_none(tmp_path: Path) -> None:
    assert read(tmp_path, "incidence_deg,acceptance_fraction\n0,0.7\n9,0\n") is None


def test_bands_of_a_grid_stand_where_its_rows_do(tmp_path: Path) -> None:
    values = {(0, 0): 0.5, (4, 0): 0.3, (8, 0): 0.0, (0, 9): 0.0, (4, 9): 0.0, (8, 9): 0.0}
    text = "transverse_deg,longitudinal_deg,acceptance_fraction,acceptance_100_100000_nm\n"
    rows = sorted(values.items(), key=lambda row: (row[0][1], -row[0][0]))
    bands = read(tmp_path, text + "".join(f"{t},{along},{a},{a}\n" for (t, along), a in rows))
    assert bands is not None
    np.testing.assert_allclose(bands.acceptance_fraction, [[[0.5, 0.0], [0.3, 0.0], [0.0, 0.0]]])


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("0,0.7,0.8,0.6", "0,0.7,0.8,1.6", 'line 2: acceptance_400_700_nm is "1.6"'),
        ("0,0.7,0.8,0.6", "0,0.4,0.8,0.6", "line 2: acceptance_fraction is 0.4, and the bands alone make"),
        ("0,0.7,0.8,0.6", "0,0.95,0.8,0.6", "line 2: acceptance_fraction is 0.95, and the bands make"),
        ("700_100000", "600_100000", 'column "acceptance_600_100000_nm" overlaps acceptance_400_700_nm'),
        ("400_700", "700_400", 'column "acceptance_700_400_nm" is no band'),
        ("400_700", "50_700", 'column "acceptance_50_700_nm" is no band'),
        ("acceptance_400_700_nm", "acceptance_700_100000_nm", "heads two columns"),
    ],
)
def test_what_contradicts_is_refused(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert words in refusal(tmp_path, GOOD.replace(old, new))


def test_written_bands_are_read_again(tmp_path: Path) -> None:
    collector = read_collector(sites_folder() / "narrow.collector.toml").noun
    grid = BiaxialAcceptance(
        transverse_deg=[0.0, 3.0, 7.0],
        longitudinal_deg=[0.0, 5.0],
        acceptance_fraction=[[0.7, 0.0], [0.5, 0.0], [0.0, 0.0]],
        source="point",
        bands=AcceptanceBands(
            wavelength_nm=[[355.5, 420.0], [420.0, 99_999.0]],
            acceptance_fraction=[[[0.6, 0], [0.4, 0], [0, 0]], [[0.707, 0], [0.506, 0], [0, 0]]],
        ),
    )
    bands = read(tmp_path, acceptance_csv(replace(collector, acceptance=grid)))
    assert bands is not None
    assert grid.bands is not None
    np.testing.assert_array_equal(bands.wavelength_nm, grid.bands.wavelength_nm)
    np.testing.assert_array_equal(bands.acceptance_fraction, grid.bands.acceptance_fraction)
    assert list(acceptance_columns(grid))[3] == "acceptance_355.5_420_nm"


@pytest.mark.parametrize(
    ("bands", "words"),
    [
        (AcceptanceBands(wavelength_nm=[400.0, 700.0], acceptance_fraction=[0.6, 0.0]), "have the shapes"),
        (
            AcceptanceBands(wavelength_nm=[[700.0, 400.0]], acceptance_fraction=[[0.6, 0.0]]),
            "overlap or fall",
        ),
        (
            AcceptanceBands(wavelength_nm=[[100.0, 100_000.0]], acceptance_fraction=[[0.9, 0.0]]),
            "acceptance_fraction[0] is 0.7, and the bands alone make",
        ),
        (
            AcceptanceBands(wavelength_nm=[[400.0, 700.0]], acceptance_fraction=[[1.2, 0.0]]),
            "bands.acceptance_fraction holds 1.2",
        ),
    ],
)
def test_bands_made_by_hand_are_checked(bands: AcceptanceBands, words: str) -> None:
    collector = read_collector(sites_folder() / "narrow.collector.toml").noun
    table = RoundAcceptance(incidence_deg=[0, 9], acceptance_fraction=[0.7, 0.0], source="disc", bands=bands)
    found = list(noun_problems(replace(collector, acceptance=table)))
    assert len(found) == 1
    assert words in str(found[0])
