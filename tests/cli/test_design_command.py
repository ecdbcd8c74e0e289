"""The whole design from the command line: figures that its own files give again, a bound that NumPy alone confirms, refusals."""

from __future__ import annotations

import importlib.util
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from yieldsim.base.errors import CannotCompute, InputError
from yieldsim.base.results.checks import faults
from yieldsim.base.results.design import DesignResult
from yieldsim.cli.main import commands
from yieldsim.files.text.bundled import sites_folder

SPAN = ("--start", "2027-03-01", "--end", "2027-03-22")
CHECKERS = Path(__file__).parents[1] / "unit" / "planning" / "system"


def checked(path, checker="check_certificate"):
    """The stand-alone checker of certificates."""
    spec = importlib.util.spec_from_file_location(checker, CHECKERS / f"{checker}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.lower_bound(path)


def yieldsim(*words):
    return CliRunner().invoke(commands, [str(word) for word in words])


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The demo's files, with a second collector."""
    made = tmp_path_factory.mktemp("design")
    for path in sites_folder().iterdir():
        if path.suffix in (".toml", ".csv", ".json"):
            shutil.copy(path, made / path.name)
    text = (made / "lantern-ridge.design.toml").read_text(encoding="utf-8")
    text = text.replace("mast_heights_m = [10.0]", "mast_heights_m = [5.0, 10.0]")
    (made / "two.design.toml").write_text(text, encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def run(folder):
    out = folder / "out"
    result = yieldsim("design", folder / "two.design.toml", *SPAN, "--out", out)
    assert result.exit_code == 0, result.output
    return out, result, json.loads((out / "design.json").read_text(encoding="utf-8"))


def test_the_answer_is_proven_to_two_per_cent(run):
    _, result, summary = run
    bound = summary["bound"]
    assert bound["least"] <= bound["reached"] == pytest.approx(summary["design"]["mass_kg"])
    assert 0.0 <= bound["gap_fraction"] <= 0.02
    assert "no design is below" in result.stdout
    # half a unit serves directly half of what a whole one does, no more: of split units the bound tells nothing
    assert "any whole number of units" in bound["covers"]
    assert max(len(line) for line in result.stdout.splitlines() if "caution" not in line) <= 80


@pytest.mark.slow
def test_the_answer_is_as_its_model_says(run):
    assert faults(DesignResult, run[2], whole=True) == []


@pytest.mark.slow
def test_masses_are_those_of_the_file(run):
    design = run[2]["design"]
    per_unit = 0.25 + 0.02 + 0.005 * (5.0 + design["mast_height_m"])
    mass = design["units"] * per_unit + 7.0 * design["storage_kwh"] + 0.8 * design["mast_height_m"] + 1.5
    assert design["mass_kg"] == pytest.approx(mass, rel=1e-9)
    assert sum(mount["count"] for mount in design["mounts"]) == design["units"]


@pytest.mark.slow
def test_the_shorter_mast_wins_where_the_skyline_is_a_table(run):
    """Nothing but mass and fibre depends on the mast there; the run says so."""
    summary = run[2]
    assert summary["design"]["mast_height_m"] == 5.0
    assert any("seen from one height" in line for line in summary["warnings"])
    other = next(row for row in summary["combinations"] if row["mast_height_m"] == 10.0)
    assert other["outcome"] in ("its bound passes the best design", "designed, and dearer")
    assert other["least"] > summary["bound"]["reached"] or other["cost"] > summary["bound"]["reached"]


@pytest.mark.slow
def test_the_files_written_give_the_figures_claimed(run, tmp_path):
    out, _, summary = run
    built = tmp_path / "built"
    words = summary["commands"][0].split()[1:-1]
    words = [out / word if word.endswith(".toml") else word for word in words]
    assert yieldsim(*words, built, "--no-report").exit_code == 0
    estimate = json.loads((built / "summary.json").read_text(encoding="utf-8"))
    assert estimate["delivered_kwh"] == pytest.approx(summary["design"]["delivered_kwh"], rel=1e-9)
    words = [
        out / word if word.endswith(".toml") else built if word == "built" else word
        for word in summary["commands"][1].split()[1:]
    ]
    assert yieldsim(*words, "--out", tmp_path / "budget", "--no-report").exit_code == 0
    budget = json.loads((tmp_path / "budget" / "budget.json").read_text(encoding="utf-8"))
    assert budget["verdict"]["passes"]
    assert budget["verdict"]["cases"][0]["reached"] == pytest.approx(summary["design"]["served_fraction"])
    assert budget["longest_outage_hours"] == summary["design"]["longest_outage_hours"]
    # nothing lighter of the same make: a store a hundredth smaller does not do
    sizes = {row["case"]: row for row in budget["verdict"]["sizes"]}
    assert sizes["storage, run over and over"]["needed"] >= 0.99 * summary["design"]["storage_kwh"]


@pytest.mark.slow
def test_the_certificate_convinces_a_script_that_knows_nothing_of_the_package(run, tmp_path):
    out, _, summary = run
    listed, everywhere = checked(out / "certificate.npz")
    assert everywhere <= listed
    assert min(listed, everywhere) == pytest.approx(summary["bound"]["certificate_least"], rel=1e-9)
    held = dict(np.load(out / "certificate.npz"))
    # with prices twice as high nothing more is proven
    for name in ("price_light", "price_state", "price_leave", "price_short"):
        held[f"case1_{name}"] = 2.0 * held[f"case1_{name}"]
    np.savez(tmp_path / "higher.npz", **held)
    assert checked(tmp_path / "higher.npz")[0] == pytest.approx(listed, rel=1e-9)
    # units of more light prove less
    held["light_kwh"] = 1.1 * held["light_kwh"]
    np.savez(tmp_path / "brighter.npz", **held)
    assert checked(tmp_path / "brighter.npz")[0] < listed


def test_every_problem_of_a_design_file_at_once(folder):
    path = folder / "wrong.design.toml"
    path.write_text(
        'sites = ["lantern-ridge.toml", "nowhere.toml"]\ncollectors = []\nload = "lantern-watch.load.toml"\n'
        'objective = "mas"\nmost_unit = 3\n[masses]\nunit_kg = 0\n[store]\nmost_kwh = 1.0\nchoices_kwh = [1.0, 2.0]\n',
        encoding="utf-8",
    )
    result = yieldsim("check", path)
    assert isinstance(result.exception, InputError)
    text = str(result.exception)
    for word in ("nowhere.toml", "collectors", "mass", "most_units", "unit_kg", "choices_kwh"):
        assert word in text


def test_empty_lists_and_a_site_by_two_names_are_refused(folder):
    path = folder / "empty.design.toml"
    path.write_text(
        'sites = ["lantern-ridge.toml", "./lantern-ridge.toml"]\nmast_heights_m = []\nfacings = []\n'
        'collectors = ["wide.collector.toml"]\nload = "lantern-watch.load.toml"\n',
        encoding="utf-8",
    )
    text = str(yieldsim("check", path).exception)
    for words in ("mast_heights_m is empty", "facings is empty", 'sites hold "lantern-ridge.toml" twice'):
        assert words in text


@pytest.mark.parametrize("twin", ["[88.0, 360.0]", "[88.0, 0.0, 360.0]"])
def test_one_orientation_in_two_spellings_is_refused(folder, twin):
    path = folder / "twice.design.toml"
    path.write_text(
        f'sites = ["lantern-ridge.toml"]\nfacings = [[88.0, 0.0], {twin}, [88.0, 180.0]]\n'
        'collectors = ["wide.collector.toml"]\nload = "lantern-watch.load.toml"\n',
        encoding="utf-8",
    )
    assert "facings hold an orientation twice" in str(yieldsim("check", path).exception)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            ("most_units = 200", "most_units = 12"),
            ["at least 36", "units (most_units)", "a reliability of 0."],
        ),
        (
            ("# [store]\n# choices_kwh = [0.25, 0.5, 1.0]", "[store]\nchoices_kwh = [0.001]"),
            ["kWh of storage ([store])"],
        ),
    ],
    ids=["too few units", "too small a store"],
)
def test_asks_that_nothing_serves_are_answered_with_the_nearest(folder, change, words):
    text = (folder / "lantern-ridge.design.toml").read_text(encoding="utf-8")
    text = text.replace("# most_units", "most_units")
    assert change[0] in text
    path = folder / "asks.design.toml"
    path.write_text(text.replace(*change), encoding="utf-8")
    load = folder / "lantern-watch.load.toml"
    whole = load.read_text(encoding="utf-8")
    load.write_text(whole.replace("reliability = 0.99", "reliability = 0.9999"), encoding="utf-8")
    try:
        result = yieldsim("design", path, *SPAN, "--out", folder / "none")
    finally:
        load.write_text(whole, encoding="utf-8")
    assert isinstance(result.exception, CannotCompute)
    for word in ("the longest stretch without light", *words):
        assert word in str(result.exception)
    assert not (folder / "none").exists()


@pytest.mark.slow
def test_ninety_of_a_hundred_draws_take_a_margin(folder, tmp_path):
    """The share is reached in 90 of 100 draws, at more mass than the nominal run takes; the bound is the nominal one."""
    text = (folder / "lantern-ridge.design.toml").read_text(encoding="utf-8")
    text = text.replace("# uncertain =", "uncertain =").replace("# confidence =", "confidence =")
    (folder / "sure.design.toml").write_text(text, encoding="utf-8")
    doubts = folder / "lantern-ridge.uncertain.toml"
    doubts.write_text(
        doubts.read_text(encoding="utf-8").replace("draws = 1024", "draws = 64"), encoding="utf-8"
    )
    span = ("--start", "2027-03-01", "--end", "2027-04-01")
    result = yieldsim("design", folder / "sure.design.toml", *span, "--out", tmp_path / "sure", "--no-report")
    assert result.exit_code == 0, result.output
    summary = json.loads((tmp_path / "sure" / "design.json").read_text(encoding="utf-8"))
    assert summary["uncertainty"]["target_share"]["p90"] >= 0.99
    assert summary["confidence_margin_factor"] > 1.0
    nominal = summary["combinations"][0]
    assert summary["bound"]["least"] == pytest.approx(nominal["least"])
    design, mass = summary["design"], summary["design"]["mass_kg"]
    assert mass > nominal["mass_kg"] >= nominal["least"]
    assert summary["bound"]["reached"] == pytest.approx(mass)
    # what stands beside it is for the same load: no larger share is lighter, and its own number of units takes its own store
    masses = [row["mass_kg"] for row in summary["by_reliability"] if row["mass_kg"] is not None]
    assert masses == sorted(masses)
    own = next(row for row in summary["by_units"] if row["units"] == design["units"])
    assert own["storage_kwh"] == pytest.approx(design["storage_kwh"], rel=0.01)
    assert checked(tmp_path / "sure" / "certificate.npz")[1] == pytest.approx(summary["bound"]["least"])


@pytest.mark.slow
def test_prescriptions_are_varied(folder, tmp_path):
    """Each value is a candidate of its own, named by it; wrong names are told."""
    text = (folder / "wide.collector.toml").read_text(encoding="utf-8")
    text = text.replace('table = "wide.acceptance.csv"', 'prescription = "half-metre-lens.optics.toml"')
    text = text.replace('source = "point"  ', "#").replace(
        "aperture_area_m2 = 0.00503", "aperture_area_m2 = 0.19635"
    )
    (folder / "lens.collector.toml").write_text(text, encoding="utf-8")
    text = (folder / "lantern-ridge.design.toml").read_text(encoding="utf-8")
    text = text.replace('["wide.collector.toml"]', '["lens.collector.toml"]')
    for commented in ("[[vary]]", "collector =", "keys =", "values ="):
        text = text.replace(f"# {commented}", commented)
    text = text.replace('"funnel.length_m"', '"fibre.numerical_aperture"').replace(
        "[0.05, 0.08]", "[0.45, 0.6]"
    )
    (folder / "lens.design.toml").write_text(text, encoding="utf-8")
    span = ("--start", "2027-03-01", "--end", "2027-03-11", "--workers", "1")
    result = yieldsim("design", folder / "lens.design.toml", *span, "--out", tmp_path / "lens", "--no-report")
    assert result.exit_code == 0, repr(result.exception)
    summary = json.loads((tmp_path / "lens" / "design.json").read_text(encoding="utf-8"))
    names = [row["collector"] for row in summary["combinations"]]
    assert [name.rsplit(", ", 1)[1] for name in names] == [
        "fibre.numerical_aperture 0.45",
        "fibre.numerical_aperture 0.6",
    ]
    gets = [row["best_unit_kwh"] for row in summary["combinations"]]
    assert gets[1] > gets[0]
    text = text.replace('collector = "lens.collector.toml"', 'collector = "lense.collector.toml"')
    (folder / "lens.design.toml").write_text(text, encoding="utf-8")
    result = yieldsim("check", folder / "lens.design.toml")
    assert "lens.collector.toml" in str(result.exception)


@pytest.mark.slow
def test_a_second_site_and_turns_by_hand(folder, tmp_path):
    """Both sites by one programme, proven, and run by the budget of their own estimate; units turned by hand weigh less and less."""
    lines = (folder / "lantern-ridge.horizon.csv").read_text(encoding="utf-8").splitlines()
    plain = [line for line in lines if not line.startswith("#")]
    turned = sorted(
        ((float(a) + 150.0) % 360.0, float(e)) for a, e in (line.split(",") for line in plain[1:])
    )
    text = "\n".join([plain[0], *(f"{a},{e}" for a, e in dict(turned).items())]) + "\n"
    (folder / "other-ridge.horizon.csv").write_text(text, encoding="utf-8")
    text = (folder / "lantern-ridge.toml").read_text(encoding="utf-8")
    text = text.replace("lantern-ridge.horizon.csv", "other-ridge.horizon.csv")
    (folder / "other-ridge.toml").write_text(text.replace("Lantern Ridge", "Other Ridge"), encoding="utf-8")
    text = (folder / "lantern-ridge.design.toml").read_text(encoding="utf-8")
    begin = text.index("# [hand_turns]")
    tail = "\n".join(line.removeprefix("# ") for line in text[begin:].split("\n"))
    tail = tail.replace("most_turns = 4", "most_turns = 2").replace("kg_per_km = 40.0", "kg_per_km = 0.0")
    tail = tail.replace("ends_kg = 3.0", "ends_kg = 0.0").replace(
        "ends_efficiency = 0.95", "ends_efficiency = 1.0"
    )
    (folder / "joined.design.toml").write_text(text[:begin] + tail, encoding="utf-8")
    out = tmp_path / "joined"
    words = ("--start", "2027-03-01", "--end", "2027-03-31", "--interval-minutes", "120", "--no-report")
    result = yieldsim("design", folder / "joined.design.toml", *words, "--workers", "1", "--out", out)
    assert result.exit_code == 0, repr(result.exception)
    summary = json.loads((out / "design.json").read_text(encoding="utf-8"))
    assert faults(DesignResult, summary, whole=True) == []
    joined = summary["joined"]
    assert joined["efficiency"] == pytest.approx(0.995**8)
    assert joined["lit_either_fraction"] >= max(joined["lit_here_fraction"], joined["lit_there_fraction"])
    assert joined["dark_both_hours"] <= min(joined["dark_here_hours"], joined["dark_there_hours"])
    both = joined["both"]
    assert both["units_here"] > 0 < both["units_there"]
    assert both["least_kg"] <= both["mass_kg"] <= 1.03 * both["least_kg"]
    for system in (both, joined["there_alone"]):
        listed, everywhere = checked(out / system["certificate"], "check_growth_certificate")
        assert min(listed, everywhere) == pytest.approx(system["least_kg"], rel=1e-9)
    words = [
        out / word if word.endswith((".toml", ".nc")) else word for word in joined["command"].split()[1:]
    ]
    assert yieldsim(*words, "--out", tmp_path / "budget", "--no-report").exit_code == 0
    budget = json.loads((tmp_path / "budget" / "budget.json").read_text(encoding="utf-8"))
    assert budget["verdict"]["passes"]
    assert budget["storage"]["capacity_kwh"] == pytest.approx(both["storage_kwh"])
    turns = summary["hand_turns"]
    assert [row["turns"] for row in turns] == [0, 1, 2]
    assert turns[2]["mass_kg"] < turns[1]["mass_kg"] < turns[0]["mass_kg"] == summary["design"]["mass_kg"]
    for row in turns:
        assert 0.97 * row["mass_kg"] <= row["least_kg"] <= row["mass_kg"]


def test_a_cable_brings_no_light(folder):
    """Loads of light over a cable, a second site of another world, a loss told twice: refused together."""
    text = (folder / "lantern-ridge.design.toml").read_text(encoding="utf-8")
    text = text.replace("lantern-watch.load.toml", "habitat.load.toml")
    link = (
        '[link]\nsite = "ember-rim.toml"\nkind = "cable"\nlength_km = 8.0\nloss_per_km_fraction = 0.1\n'
        "loss_db_per_km = 0.1\n[hand_turns]\nmost_turns = 13\n"
    )
    (folder / "cable.design.toml").write_text(text + link, encoding="utf-8")
    result = yieldsim("check", folder / "cable.design.toml")
    assert isinstance(result.exception, InputError)
    for word in ("loss_per_km_fraction", "most_turns"):
        assert word in str(result.exception)
    link = link.replace("loss_db_per_km = 0.1\n", "").replace("13", "12")
    (folder / "cable.design.toml").write_text(text + link, encoding="utf-8")
    result = yieldsim("check", folder / "cable.design.toml")
    for word in ("electric loads alone", "on Mercury"):
        assert word in str(result.exception)


def test_loads_that_all_may_wait_are_refused(folder):
    """With none essential all must be served, in the hour that asks by the bound: nothing was said to serve what the budget serves."""
    load = (folder / "lantern-watch.load.toml").read_text(encoding="utf-8")
    waits = load.replace('hours = "always"', 'hours = "always"\npriority = "deferrable"\nwindow_hours = 24.0')
    (folder / "waits.load.toml").write_text(waits, encoding="utf-8")
    text = (folder / "lantern-ridge.design.toml").read_text(encoding="utf-8")
    text = text.replace("lantern-watch.load.toml", "waits.load.toml")
    (folder / "waits.design.toml").write_text(text, encoding="utf-8")
    result = yieldsim("check", folder / "waits.design.toml")
    assert isinstance(result.exception, InputError)
    (problem,) = result.exception.problems
    assert problem.key == "load"
    for word in ("waits.load.toml", "sensors and radio", "can wait"):
        assert word in problem.found


def test_mass_for_each_kwh_asks_for_a_number_of_units(folder):
    text = (folder / "lantern-ridge.design.toml").read_text(encoding="utf-8")
    text = text.replace('objective = "mass" ', 'objective = "mass-per-kwh" ')
    (folder / "per.design.toml").write_text(text, encoding="utf-8")
    result = yieldsim("check", folder / "per.design.toml")
    assert isinstance(result.exception, InputError)
    assert "most_units" in str(result.exception)
