"""[thermal] and [ground]: read, refused in words, written so that they are read again."""

import re
import shutil

import pytest

from yieldsim.base.errors import InputError
from yieldsim.base.thermal_model import Ground, GroundTable
from yieldsim.files.describe import recognised
from yieldsim.files.inputs.collector_writer import collector_files
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.inputs.site_writer import site_text, tables_beside
from yieldsim.files.text.bundled import sites_folder


@pytest.fixture
def collector(tmp_path):
    for name in ("insulated.collector.toml", "narrow.acceptance.csv"):
        shutil.copy(sites_folder() / name, tmp_path)
    return tmp_path / "insulated.collector.toml"


def changed(path, before, after):
    text = path.read_text()
    assert before in text
    path.write_text(text.replace(before, after, 1))
    return path


def test_written_and_read_again(collector, tmp_path):
    given = read_collector(collector).noun
    for name, text in collector_files(given, "again").items():
        (tmp_path / name).write_text(text)
    assert read_collector(tmp_path / "again.toml").noun.thermal == given.thermal


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (
            "layer_count = 15",
            "layer_count = 1.5",
            r"\[thermal\] insulation layer_count is 1.5; allowed: a whole number, 0 to 200",
        ),
        (
            "cover_emittance = 0.63",
            "cover_emittance = 0",
            "cover_emittance is 0; allowed: more than 0, at most 1",
        ),
        (
            "highest_k = 398.0",
            "highest_k = 100.0",
            r"fibre highest_k is 100; allowed: more than lowest_k, 208",
        ),
        (
            "gel_highest_k = 423.0",
            "gel_highest_k = 200.0",
            "gel_highest_k is 200; allowed: more than gel_lowest_k",
        ),
        ("heat_capacity_j_m_k = 1100.0", "", r"fibre heat_capacity_j_m_k is missing"),
        ("seams_emittance", "seam_emittance", "seam_emittance.*seams_emittance"),
        ("[thermal.joint]", "[thermal.joints]", "joints"),
    ],
)
def test_wrong_keys_are_told_by_place(collector, before, after, told):
    with pytest.raises(InputError) as error:
        read_collector(changed(collector, before, after))
    assert re.search(told, str(error.value))


def test_a_joint_that_nothing_cools_is_refused(collector):
    for before, after in (
        ("to_funnel_w_k = 0.6", "to_funnel_w_k = 0.0"),
        ("to_fibre_w_k = 0.02", "to_fibre_w_k = 0.0"),
        ("area_m2 = 0.004", "area_m2 = 0.0"),
    ):
        changed(collector, before, after)
    with pytest.raises(InputError, match="heat must leave the joint somewhere"):
        read_collector(collector)


def test_check_says_what_is_there(collector):
    assert "temperatures under insulation of 15 layers" in recognised(collector).words


@pytest.fixture
def site(tmp_path):
    for name in ("long-meadow.toml",):
        shutil.copy(sites_folder() / name, tmp_path)
    return tmp_path / "long-meadow.toml"


def test_three_kinds_of_ground_are_read_written_and_told(site, tmp_path):
    (tmp_path / "soil.csv").write_text("local_true_solar_time_hours,temperature_k\n0,95\n12,385\n18,180\n")
    plain = site.read_text()
    for lines, word in (
        ("temperature_k = 210.0", "ground at 210 K"),
        ('model = "regolith"\nreflectance = 0.07\nscale_depth_m = 0.05', "ground of regolith"),
        ('table = "soil.csv"\nsky_temperature_k = 140.0', "ground by hour of the day"),
    ):
        site.write_text(f"{plain}\n[ground]\n{lines}\n")
        assert word in recognised(site).words
        given = read_site(site).noun
        again = tmp_path / "again"
        again.mkdir(exist_ok=True)
        for name, text in tables_beside(given).items():
            (again / name).write_text(text)
        (again / "site.toml").write_text(site_text(given, "moon", None, "again"))
        back = read_site(again / "site.toml").noun.ground
        if isinstance(given.ground.temperature, GroundTable):
            assert back.temperature.temperature_k.tolist() == [95.0, 385.0, 180.0]
            assert back.sky_temperature_k == 140.0
        else:
            assert back == given.ground
    assert "3 rows, 95 to 385 K" in recognised(tmp_path / "soil.csv").words
    assert Ground() == Ground(reflectance=0.12)


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("reflectance = 0.1", r"\[ground\] needs temperature_k, table or model"),
        ('temperature_k = 200.0\nmodel = "regolith"', "model stands beside temperature_k"),
        ("temperature_k = 200.0\nscale_depth_m = 0.05", "scale_depth_m stands without model"),
        ('model = "basalt"', 'model is "basalt"; allowed: regolith'),
    ],
)
def test_wrong_grounds_are_told(site, lines, told):
    site.write_text(f"{site.read_text()}\n[ground]\n{lines}\n")
    with pytest.raises(InputError, match=told):
        read_site(site)
