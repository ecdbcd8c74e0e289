"""Collector files: every key works, every slip is told in words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.errors import InputError
from yieldsim.base.model import (
    AttenuationTable,
    BiaxialAcceptance,
    Mount,
    PrescriptionAcceptance,
    RoundAcceptance,
    Shield,
)
from yieldsim.base.numerics.vectors import mount_axes_enu_xyz
from yieldsim.files.inputs.readers import read_collector
from yieldsim.files.text.bundled import sites_folder


def told(path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_collector(path)
    return str(caught.value).split("\n")


def test_a_good_collector(folder) -> None:
    loaded = read_collector(folder.collector())
    collector = loaded.noun
    assert collector.mounts == (
        Mount(tilt_deg=88.0, azimuth_deg=180.0),
        Mount(tilt_deg=90.0, azimuth_deg=-90.0, roll_deg=10.0, count=3),
    )
    assert (collector.unit_count, collector.aperture_area_m2, collector.mass_kg) == (4, 0.05, 3.0)
    assert isinstance(collector.acceptance, RoundAcceptance)
    np.testing.assert_array_equal(collector.acceptance.acceptance_fraction, [0.8, 0.8, 0.0])
    assert collector.shield == Shield(
        film_transmittance=0.93, removal=0.98, cycle_hours=24.0, duty_minutes=10.0, power_w=3.0
    )
    assert collector.fibre is not None
    assert (collector.fibre.attenuation, collector.fibre.numerical_aperture) == (8.0, None)
    assert loaded.warnings == ()


def test_tables_may_be_left_out(folder) -> None:
    text = folder.collector().read_text()
    bare = read_collector(folder.write("bare.toml", text[: text.index("[shield]")])).noun
    assert bare.shield is None
    assert bare.fibre is None


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "aperture_area_m2 = 0.05",
            "aperture_area_m2 = 0",
            "aperture_area_m2 is 0; allowed: more than 0, at most",
        ),
        ("aperture_area_m2 = 0.05", "aperture_area_m2 = inf", "aperture_area_m2 is inf"),
        ("tilt_deg = 88.0", "tilt_deg = 180.5", "line 6: [[mounts]] #1 tilt_deg is 180.5; allowed: 0 to 180"),
        ("tilt_deg = 90\n", "", "line 9: [[mounts]] #2 tilt_deg is missing"),
        (
            "count = 3",
            "count = 0",
            "line 13: [[mounts]] #2 count is 0; allowed: a whole number, 1 to 1000000",
        ),
        ("count = 3", "count = 3.0", "count is 3.0; allowed: a whole number"),
        ("count = 3", "cuont = 3", '[[mounts]] #2 has an unknown key "cuont" (did you mean count?)'),
        ("count = 3", "mass_kg = 3", "(mass_kg belongs at the top of the file, above the first [table])"),
        ('source = "point"\n', "", '[acceptance] source is missing; allowed: "point" or "disc"'),
        (
            'source = "point"',
            'source = "pont"',
            '[acceptance] source is "pont"; allowed: point, disc (did you mean',
        ),
        ('table = "acceptance.csv"\n', "", "[acceptance] needs table or prescription"),
        ('source = "point"', 'prescription = "acceptance.csv"', "prescription stands beside table"),
        ('table = "acceptance.csv"', 'prescription = "acceptance.csv"', "source stands beside prescription"),
        ("film_transmittance = 0.93\n", "", "[shield] film_transmittance is missing"),
        ("film_transmittance = 0.93", "film_transmittance = 0", "is 0; allowed: more than 0, at most 1"),
        ("cycle_hours = 24.0\n", "", "[shield] cycle_hours is missing (removal is given"),
        ("cycle_hours = 24.0", "cycle_hours = 0.001", "cycle_hours is 0.001; allowed: 0.05 to 1000000"),
        (
            "duty_minutes = 10.0",
            "duty_minutes = 1500",
            "duty_minutes is 1500; allowed: at most cycle_hours, 1440 min",
        ),
        ("length_m = 30.0", "length_m = -1", "[fibre] length_m is -1; allowed: 0 to 1000000"),
        ("attenuation_db_per_km = 8.0\n", "", "[fibre] needs attenuation_db_per_km or table"),
        (
            "end_reflection = 0.035",
            "end_reflection = 1.0",
            "end_reflection is 1.0; allowed: 0 or more, less than 1",
        ),
        (
            "packing = 0.85",
            "numerical_aperture = 0.5",
            "face_diameter_mm is missing (the etendue limit needs it",
        ),
        ("[fibre]", "[fiber]", "unknown table [fiber] (did you mean [fibre]?)"),
        ("packing = 0.85", "packing = 0.85\ncolour = 1", '[fibre] has an unknown key "colour"'),
    ],
)
def test_each_slip_is_told(folder, old: str, new: str, words: str) -> None:
    path = folder.collector((old, new))
    assert any(words in line for line in told(path)), told(path)


def test_no_mounts(folder) -> None:
    text = folder.collector().read_text()
    start, end = text.index("[[mounts]]"), text.index("[acceptance]")
    path = folder.write("none.toml", text[:start] + text[end:])
    assert told(path) == ["none.toml: [[mounts]] is missing (one [[mounts]] for each direction)"]
    path = folder.write("none.toml", text[:start] + "mounts = []\n" + text[end:])
    assert told(path) == ["none.toml line 5: [[mounts]] is empty; allowed: one or more mounts"]
    path = folder.write("one.toml", text[:start] + "[mounts]\ntilt_deg = 1\nazimuth_deg = 1\n" + text[end:])
    assert told(path) == ["one.toml line 5: [[mounts]] is a table; allowed: a list"]


def test_biaxial_table_in_any_order(folder) -> None:
    rows = [(t, long, round(1 / (2 + abs(t) + long), 6)) for t in (5, -5, 0) for long in (3, 0)]
    header = "longitudinal_deg,acceptance_fraction,transverse_deg\n"
    folder.write("acceptance.csv", header + "".join(f"{long},{value},{t}\n" for t, long, value in rows))
    acceptance = read_collector(folder.collector()).noun.acceptance
    assert isinstance(acceptance, BiaxialAcceptance)
    np.testing.assert_array_equal(acceptance.transverse_deg, [-5, 0, 5])
    np.testing.assert_array_equal(acceptance.longitudinal_deg, [0, 3])
    for t, long, value in rows:
        row = int(np.searchsorted(acceptance.transverse_deg, t))
        column = int(np.searchsorted(acceptance.longitudinal_deg, long))
        assert acceptance.acceptance_fraction[row, column] == value


def test_prescription_is_named_not_opened(folder) -> None:
    folder.write("lens.optics.toml", "[lens]\n")
    path = folder.collector(
        ('table = "acceptance.csv"\nsource = "point"', 'prescription = "lens.optics.toml"')
    )
    acceptance = read_collector(path).noun.acceptance
    assert acceptance == PrescriptionAcceptance(prescription=str(folder.path.resolve() / "lens.optics.toml"))


def test_attenuation_by_wavelength(folder) -> None:
    folder.write("fibre.csv", "# glass\nwavelength_nm,attenuation_db_per_km\n400,100\n800,10\n")
    path = folder.collector(("attenuation_db_per_km = 8.0", 'table = "fibre.csv"'))
    fibre = read_collector(path).noun.fibre
    assert fibre is not None
    assert isinstance(fibre.attenuation, AttenuationTable)
    np.testing.assert_array_equal(fibre.attenuation.attenuation_db_per_km, [100, 10])


def test_packing_that_round_fibres_cannot_reach_is_a_warning(folder) -> None:
    assert "0.9069" in read_collector(folder.collector(("packing = 0.85", "packing = 0.95"))).warnings[0]
    assert read_collector(folder.collector(("packing = 0.85", "packing = 1"))).warnings == ()


def test_a_table_that_ends_above_zero_is_a_warning(folder) -> None:
    folder.write("acceptance.csv", "incidence_deg,acceptance_fraction\n0,0.8\n4,0.5\n")
    assert read_collector(folder.collector()).warnings == (
        "acceptance.csv: cut off: acceptance is still 0.5 in the last row, at 4 deg, and counts as 0 beyond",
    )
    folder.write("acceptance.csv", "incidence_deg,acceptance_fraction\n0,0.8\n90,0.5\n")
    assert read_collector(folder.collector()).warnings == ()


def test_the_demo_collector_tells_how_the_two_axes_lie() -> None:
    """Each sentence of the comment beside [acceptance] against the axes that runs use."""
    comment = " ".join(
        line.removeprefix("#").strip()
        for line in (sites_folder() / "wide.collector.toml").read_text().split("\n")
        if line.startswith("#")
    )
    transverse, longitudinal, normal = mount_axes_enu_xyz(30.0, 90.0, 0.0)
    assert (
        "At roll 0 the longitudinal axis points up the slope of the aperture and the transverse axis"
        in comment
    )
    assert longitudinal[2] == pytest.approx(np.sin(np.radians(30.0)))
    assert transverse[2] == pytest.approx(0.0, abs=1e-15)
    assert "(tilt 0: the longitudinal axis points away from azimuth_deg)" in comment
    assert mount_axes_enu_xyz(0.0, 90.0, 0.0)[1] == pytest.approx([-1.0, 0.0, 0.0], abs=1e-15)
    assert (
        "a positive roll turns both counter-clockwise for someone looking at the aperture from in front"
        in comment
    )
    for before, after in zip(
        (transverse, longitudinal), mount_axes_enu_xyz(30.0, 90.0, 10.0)[:2], strict=True
    ):
        assert np.cross(before, after) @ normal == pytest.approx(np.sin(np.radians(10.0)))
    assert "An angle whose rows start at 0 is mirrored to the other side." in comment
