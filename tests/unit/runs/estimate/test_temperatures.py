"""Temperatures of a unit in an estimate: there when asked for, limits told, ground where it must be stated; silent otherwise."""

from dataclasses import replace

import numpy as np
import pytest

from yieldsim.base.errors import CannotCompute, InputError
from yieldsim.base.thermal_model import Ground, GroundTable
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.output.dataset import hourly_frame, read_dataset, write_dataset
from yieldsim.files.text.bundled import sites_folder
from yieldsim.report.estimate.temperatures import temperature_caption, temperature_rows
from yieldsim.runs.estimate.output import summary_of
from yieldsim.runs.estimate.run import estimate
from yieldsim.runs.estimate.temperatures import repeated_rows

SITE = read_site(sites_folder() / "lantern-ridge.toml").noun
COLLECTOR = read_collector(sites_folder() / "insulated.collector.toml").noun
SPAN = ("2027-01-03", "2027-01-06")


@pytest.fixture(scope="module")
def run():
    return estimate(SITE, COLLECTOR, *SPAN)


def part(ds, name):
    return next(row for row in summary_of(ds)["thermal"]["parts"] if row["part"] == name)


def test_series_extremes_and_cases_agree(run):
    for name in ("cover", "fibre", "joint", "funnel"):
        series, row = run[f"{name}_temperature_k"].values, part(run, name)
        assert series.shape == (72, 1)
        assert (row["coldest_k"], row["hottest_k"]) == (series.min(), series.max())
        assert row["cold_case_k"] - 0.05 <= series.min() <= series.max() <= row["hot_case_k"] + 0.05
        assert row["hottest_utc"] == str(run.time.values[series[:, 0].argmax()])[:19] + "Z"
    assert part(run, "gel")["hottest_k"] == part(run, "joint")["hottest_k"]


def test_light_at_the_fibres_end_heats_the_joint_most(run):
    # the Sun is on the axis on 4 January: a kilowatt a square metre of the aperture, 17 % of it lost at the face
    lit = int(run["delivered_power_w"].values.argmax())
    assert run["joint_temperature_k"].values[lit, 0] > run["funnel_temperature_k"].values[lit, 0] + 10.0


def test_what_is_taken_as_given_is_told(run):
    rows = {(row["of"], row["what"]): row for row in summary_of(run)["assumptions"]}
    assert rows["heat: insulation", "radiation shields"]["value"] == "15"
    assert rows["heat: joint", "conductance to the funnel"]["value"] == "0.6 W/K"
    assert rows["ground", "temperature"]["default"]
    assert "regolith" in rows["ground", "temperature"]["value"]


def test_a_hot_case_past_a_limit_that_the_run_keeps_is_told():
    bears = replace(COLLECTOR.thermal, joint=replace(COLLECTOR.thermal.joint, highest_k=318.0))
    ds = estimate(SITE, replace(COLLECTOR, thermal=bears), *SPAN)
    row = part(ds, "joint")
    assert row["hottest_k"] < 318.0 < row["hot_case_k"]
    assert row["hours_too_hot"] == 0.0
    told = [line for line in summary_of(ds)["warnings"] if line.startswith("the joint")]
    assert f"hot case, held for ever, comes to {row['hot_case_k']:.0f} K" in told[0]


def test_heat_that_nothing_sheds_can_not_be_told():
    closed = replace(
        COLLECTOR.thermal,
        funnel=replace(COLLECTOR.thermal.funnel, mouth_emittance=0.0, absorbed_fraction=1.0),
    )
    sealed = replace(
        closed,
        insulation=replace(closed.insulation, conductance_w_m2_k=0.0, seams_emittance=0.0, layer_count=200),
    )
    bare = replace(sealed, insulation=replace(sealed.insulation, inner_emittance=1e-6, outer_emittance=1e-6))
    with pytest.raises(
        CannotCompute, match=r"comes to .* K: its insulation, mouth and conductances don't shed"
    ):
        estimate(SITE, replace(COLLECTOR, thermal=bare), *SPAN)


def test_a_limit_passed_is_told_with_its_hours():
    cold_hardy = replace(
        COLLECTOR.thermal, joint=replace(COLLECTOR.thermal.joint, lowest_k=None, highest_k=310.0)
    )
    ds = estimate(SITE, replace(COLLECTOR, thermal=cold_hardy), *SPAN)
    above = int((ds["joint_temperature_k"].values > 310.0).sum())
    assert part(ds, "joint")["hours_too_hot"] == above > 0
    told = [line for line in summary_of(ds)["warnings"] if line.startswith("the joint gets too hot")]
    assert len(told) == 1
    assert any("shorter than a solar day of Moon (709 h)" in line for line in summary_of(ds)["warnings"])
    assert f"limit 310 K; past it for {above} h of the run" in told[0]


def test_the_ground_may_be_a_number_or_a_table_by_hour():
    site = replace(SITE, ground=Ground(temperature=200.0))
    assert (estimate(site, COLLECTOR, *SPAN)["ground_temperature_k"].values == 200.0).all()
    table = GroundTable(local_true_solar_time_hours=[0.0, 12.0], temperature_k=[100.0, 340.0])
    ds = estimate(replace(SITE, ground=Ground(temperature=table)), COLLECTOR, *SPAN)
    clock = ds["local_true_solar_time_hours"].values
    np.testing.assert_allclose(
        ds["ground_temperature_k"].values, 340.0 - 20.0 * np.abs(clock - 12.0), rtol=1e-12
    )


def test_other_worlds_must_say_how_warm_their_ground_is():
    mars = read_site(sites_folder() / "rust-plain.toml").noun
    with pytest.raises(
        InputError, match=r"\[ground\] is missing, and Insulated quarter-metre lens has \[thermal\]"
    ):
        estimate(mars, COLLECTOR, *SPAN)
    ds = estimate(replace(mars, ground=Ground(temperature=210.0)), COLLECTOR, *SPAN)
    assert any("air carries away" in line for line in summary_of(ds)["warnings"])


def test_nothing_is_told_where_nothing_is_asked():
    ds = estimate(replace(SITE, ground=Ground()), replace(COLLECTOR, thermal=None), *SPAN)
    assert "thermal" not in summary_of(ds)
    assert not [name for name in ds.variables if "temperature" in str(name)]


def test_tables_a_saved_file_and_the_page_hold_them(run, tmp_path):
    frame = hourly_frame(run)
    assert {"ground_temperature_k", "mount1_fibre_temperature_k"} <= set(frame.columns)
    write_dataset(run, tmp_path / "estimate.nc")
    again = read_dataset(tmp_path)
    np.testing.assert_array_equal(again["fibre_temperature_k"].values, run["fibre_temperature_k"].values)
    rows = temperature_rows(run, summary_of(run))
    assert [row[0] for row in rows] == ["Cover", "Fibre", "Joint", "Gel", "Funnel"]
    assert all(len(row) == 8 for row in rows)
    assert "Effective emittance" in temperature_caption(summary_of(run))


@pytest.mark.parametrize(
    ("rows", "expected"),
    [(20_000, 8766), (8760, 8505), (709, 709), (100, 100)],
    ids=["a year", "whole lunar days", "one lunar day", "all there is"],
)
def test_rows_that_stand_for_the_past(rows, expected):
    assert repeated_rows(rows, 3600.0, 365.25, 708.734) == expected
