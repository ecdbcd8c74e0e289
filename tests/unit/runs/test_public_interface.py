"""What a notebook uses: readers, nouns and errors at the top, one kernel as well as several, the same answers from paths and nouns."""

from __future__ import annotations

import inspect
import json
import re
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skyfield_data
import xarray as xr

import yieldsim
from yieldsim.files.text.bundled import sites_folder

SITES = sites_folder()
SITE, COLLECTOR = SITES / "lantern-ridge.toml", SITES / "wide.collector.toml"
LOAD = SITES / "habitat.load.toml"
SPAN = ("2027-01-01", "2027-01-03")
DE421 = str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp")


def test_readers_give_the_nouns_that_verbs_take() -> None:
    site, collector = yieldsim.read_site(SITE), yieldsim.read_collector(COLLECTOR)
    assert isinstance(site, yieldsim.Site)
    assert isinstance(collector, yieldsim.Collector)
    assert isinstance(yieldsim.read_load(SITES / "habitat.load.toml"), yieldsim.LoadPlan)
    by_noun, by_path = yieldsim.estimate(site, collector, *SPAN), yieldsim.estimate(SITE, COLLECTOR, *SPAN)
    assert by_noun.delivered_power_w.equals(by_path.delivered_power_w)


@pytest.mark.parametrize(
    ("read", "file"),
    [
        (yieldsim.read_site, "lantern-ridge.toml"),
        (yieldsim.read_site, "rust-plain.toml"),
        (yieldsim.read_collector, "wide.collector.toml"),
        (yieldsim.read_collector, "sol-fan.collector.toml"),
        (yieldsim.read_load, "habitat.load.toml"),
        (yieldsim.read_uncertain, "rust-plain.uncertain.toml"),
        (yieldsim.read_design, "lantern-growth.design.toml"),
    ],
)
def test_nouns_that_hold_the_same_are_equal(read: Any, file: str) -> None:
    one, other = read(SITES / file), read(SITES / file)
    assert one == other
    assert hash(one) == hash(other)
    assert one != replace(other, **{first.name: None for first in fields(other)[:1]})


def test_tables_are_equal_by_what_they_hold() -> None:
    flat = yieldsim.HorizonMask(azimuth_deg=[0.0, 180.0], elevation_deg=[0.0, 0.0])
    same = yieldsim.HorizonMask(azimuth_deg=[-0.0, 180.0], elevation_deg=[0.0, -0.0])
    assert flat == same
    assert hash(flat) == hash(same)
    for other in (
        replace(flat, elevation_deg=[0.0, 1.0]),
        replace(flat, azimuth_deg=[0.0], elevation_deg=[0.0]),
        "flat",
        None,
    ):
        assert flat != other
    point = yieldsim.RoundAcceptance(incidence_deg=[0.0, 5.0], acceptance_fraction=[0.9, 0.0], source="point")
    assert point == replace(point)
    assert point != replace(point, source="disc")


def test_errors_are_at_the_top(tmp_path: Path) -> None:
    with pytest.raises(yieldsim.InputError, match="nowhere"):
        yieldsim.read_site(tmp_path / "nowhere.toml")
    assert issubclass(yieldsim.DataMissing, yieldsim.YieldsimError)


def test_what_a_reader_has_to_say_is_a_warning(tmp_path: Path) -> None:
    rows = (SITES / "lantern-ridge.horizon.csv").read_text(encoding="utf-8").splitlines()
    body = [row for row in rows if not row.startswith("#")]
    noted = [f"{body[0]},remark", *(f"{row},seen" for row in body[1:])]
    (tmp_path / "lantern-ridge.horizon.csv").write_text("\n".join(noted) + "\n", encoding="utf-8")
    (tmp_path / "site.toml").write_bytes(SITE.read_bytes())
    with pytest.warns(UserWarning, match="columns not used: remark"):
        yieldsim.read_site(tmp_path / "site.toml")


def test_a_saved_estimate_opens(tmp_path: Path) -> None:
    from yieldsim.files.output.dataset import write_dataset

    ds = yieldsim.estimate(SITE, COLLECTOR, *SPAN)
    write_dataset(ds, tmp_path / "estimate.nc")
    again = yieldsim.open_estimate(tmp_path)
    assert again.delivered_power_w.equals(ds.delivered_power_w)


@pytest.mark.parametrize("verb", ["estimate", "orient", "rank", "budget", "tune"])
def test_one_kernel_may_be_a_string(verb: str) -> None:
    if verb == "budget":
        ds = yieldsim.estimate(SITE, COLLECTOR, *SPAN, kernels=DE421)
        found = yieldsim.budget(ds, SITES / "habitat.load.toml", kernels=DE421)
        assert "stored_energy_kwh" in found
        return
    if verb == "tune":
        with pytest.raises(yieldsim.InputError, match="--vary"):
            yieldsim.tune(SITES / "half-metre-lens.optics.toml", SITE, [], kernels=DE421)
        return
    sites = [SITE] if verb == "rank" else SITE
    ds = getattr(yieldsim, verb)(sites, COLLECTOR, *SPAN, kernels=DE421)
    assert "de421" in ds.attrs["summary"]


def test_a_noun_changed_in_a_program_is_another_run() -> None:
    collector = yieldsim.read_collector(COLLECTOR)
    larger = replace(collector, aperture_area_m2=2.0 * collector.aperture_area_m2)
    once = yieldsim.estimate(SITE, collector, *SPAN)
    twice = yieldsim.estimate(SITE, larger, *SPAN)
    assert float(twice.delivered_power_w.sum()) == pytest.approx(2.0 * float(once.delivered_power_w.sum()))


def test_totals_are_an_object(tmp_path: Path) -> None:
    ds = yieldsim.estimate(SITE, COLLECTOR, *SPAN)
    hours = float(ds.delivered_power_w.sum()) / 1000.0
    assert ds.yieldsim.delivered_kwh == pytest.approx(hours)
    assert "delivered_kwh" in dir(ds.yieldsim)
    assert "delivered_kwh" in repr(ds.yieldsim)
    with pytest.raises(AttributeError, match="did you mean delivered_kwh"):
        _ = ds.yieldsim.deliverd_kwh
    assert (
        yieldsim.budget(ds, SITES / "habitat.load.toml")
        .yieldsim.summary["schema"]
        .startswith("yieldsim budget")
    )
    with pytest.raises(yieldsim.InputError, match="not a result"):
        _ = ds[["delivered_power_w"]].drop_attrs().yieldsim


def test_rows_of_a_result_have_no_totals() -> None:
    # an hour of two days gave the two days' kWh, and a budget of it the dust of an aperture clean at its start
    ds = yieldsim.estimate(SITE, COLLECTOR, *SPAN)
    part = ds.isel(time=slice(0, 12))
    with pytest.raises(
        yieldsim.InputError, match=r"rows of 0\.5 of the 2 days of its result .*the whole run"
    ):
        _ = part.yieldsim
    told = r"estimate: time has 12 of the 48 rows of the run \(for a part of a run give estimate its start and end\)"
    for verb, load in (("budget", (SITES / "habitat.load.toml",)), ("page", ())):
        with pytest.raises(yieldsim.InputError, match=f"^{told}$"):
            getattr(yieldsim, verb)(part, *load)
    doubled = ds.assign(delivered_power_w=2.0 * ds.delivered_power_w)
    with pytest.raises(
        yieldsim.InputError, match=r"delivered_power_w adds up to .* and summary delivered_kwh says"
    ):
        yieldsim.budget(doubled, SITES / "habitat.load.toml")


def test_a_budget_wants_the_site_of_its_estimate() -> None:
    # the Moon's south pole was taken for a plain on its equator, with a word of a file that had changed; a noun without any
    ds = yieldsim.estimate(SITE, COLLECTOR, *SPAN)
    own = yieldsim.read_site(SITE)
    load = SITES / "habitat.load.toml"
    for site, told in (
        (
            SITES / "long-meadow.toml",
            r"place is -1\.2, 316 on Moon; allowed: the estimate's, -89\.45, 222\.69 on Moon",
        ),
        (
            replace(own, longitude_deg=own.longitude_deg + 0.1),
            r"Lantern Ridge: place is -89\.45, 222\.79 on Moon",
        ),
    ):
        with pytest.raises(yieldsim.InputError, match=told):
            yieldsim.budget(ds, load, site=site, collector=COLLECTOR)
    turned = replace(own, longitude_deg=own.longitude_deg - 360.0)
    assert "stored_energy_kwh" in yieldsim.budget(ds, load, site=turned, collector=COLLECTOR)


TERRAIN = [SITES / "nowhere.tif"]
WRONG: dict[str, list[tuple[tuple[object, ...], dict[str, object], str]]] = {
    "read_site": [((3,), {}, "path is 3; allowed: the path of a site file")],
    "read_uncertain": [((None,), {}, "path is None; allowed: the path of an uncertainty file")],
    "open_estimate": [((3,), {}, "path is 3; allowed: an estimate.nc, or the folder that holds one")],
    "estimate": [
        ((3, COLLECTOR), {}, "site is 3; allowed: the path of a site file, or a Site"),
        ((SITE, None), {}, "collector is None; allowed: the path of a collector file, or a Collector"),
        ((SITE, COLLECTOR), {"kernels": 3}, "kernels is 3; allowed: paths of kernel files"),
        ((SITE, COLLECTOR), {"kernels": [3]}, "kernels is 3; allowed: paths of kernel files"),
    ],
    "orient": [
        ((SITE, COLLECTOR), {"load": 3}, "load is 3; allowed: the path of a load file, or a LoadPlan"),
        ((SITE, COLLECTOR), {"units": 1.5}, "units is 1.5; allowed: a whole number, 1 to 200"),
        ((SITE, COLLECTOR), {"step_deg": "x"}, "step_deg is 'x'; allowed: a number"),
        (
            (SITE, COLLECTOR),
            {"compare": [3]},
            "compare #1 is 3; allowed: tilt, azimuth and perhaps roll, deg",
        ),
        ((SITE, COLLECTOR), {"compare": 3}, "compare is 3; allowed: pairs of tilt and azimuth, deg"),
        ((SITE, COLLECTOR), {"compare": [("a", 1)]}, "compare #1 tilt is 'a'; allowed: a number"),
        (
            (SITE, COLLECTOR),
            {"goal": None},
            "goal is None; allowed: annual, worst-month, shortest-gap, load",
        ),
    ],
    "rank": [
        ((3, COLLECTOR), {}, "sites is 3; allowed: paths of site files, or Sites"),
        (([3], COLLECTOR), {}, "sites is 3; allowed: the path of a site file, or a Site"),
        (([SITE], 3), {}, "collector is 3; allowed: the path of a collector file, or a Collector"),
        (([SITE], COLLECTOR), {"workers": 0}, "workers is 0; allowed: a whole number, 1 or more"),
        (([SITE], COLLECTOR), {"facing": 3}, "facing is 3; allowed: given or best or set"),
    ],
    "tune": [
        (
            (3, SITE, ["funnel.length_m=0.02:0.03"]),
            {},
            "optics is 3; allowed: the path of a prescription file",
        ),
        (
            (SITES / "wide-trough.optics.toml", SITE, 3),
            {},
            'vary is 3; allowed: "KEY=LOW:HIGH", or several of them',
        ),
        (
            (SITES / "wide-trough.optics.toml", SITE, [3]),
            {},
            "--vary: is 3; allowed: KEY=LOW:HIGH, LOW below HIGH",
        ),
    ],
    "trace": [
        ((3,), {}, "optics is 3; allowed: the path of a prescription file"),
        (
            (SITES / "wide-trough.optics.toml",),
            {"source": "moon"},
            "source is 'moon'; allowed: point or disc",
        ),
        ((SITES / "wide-trough.optics.toml",), {"tolerance": "x"}, "tolerance is 'x'; allowed: a number"),
    ],
    "design": [
        ((3,), {}, "plan is 3; allowed: the path of a design file, or a DesignPlan"),
        ((SITES / "lantern-ridge.design.toml",), {"work_folder": 3}, "work_folder is 3; allowed: a folder"),
    ],
    "growth": [
        ((None,), {}, "plan is None; allowed: the path of a design file, or a DesignPlan"),
        ((SITES / "lantern-growth.design.toml",), {"work_folder": 3}, "work_folder is 3; allowed: a folder"),
    ],
    "page": [
        ((3,), {}, "estimate is 3; allowed: an estimate.nc, or the folder that holds one, or a Dataset")
    ],
    "horizon": [
        ((3, [SITE]), {}, "site is 3; allowed: the path of a site file, or a Site"),
        ((SITE, 3), {}, "terrain is 3; allowed: paths or addresses of terrain files"),
        ((SITE, TERRAIN), {"reach_km": "x"}, "reach_km is 'x'; allowed: a number"),
        ((SITE, TERRAIN), {"azimuth_step_deg": None}, "azimuth_step_deg is None; allowed: a number"),
        ((SITE, TERRAIN), {"holds": "metres"}, 'holds is "metres"; allowed: auto, height, radius'),
    ],
    "survey": [
        ((3, "moon", COLLECTOR), {}, "terrain is 3; allowed: paths or addresses of terrain files"),
        ((TERRAIN, "moon", COLLECTOR), {"options": 3}, "options is 3; allowed: SurveyOptions"),
        *(
            ((TERRAIN, "moon", COLLECTOR), {"options": yieldsim.SurveyOptions(**wrong)}, told)  # type: ignore[arg-type]
            for wrong, told in (
                ({"stride": "2"}, "stride is '2'; allowed: a whole number, 1 or more"),
                ({"stride": 1.5}, "stride is 1.5; allowed: a whole number, 1 or more"),
                ({"azimuths": "x"}, "azimuths is 'x'; allowed: a whole number, 72 to 1440"),
                ({"mast_height_m": "x"}, "mast_height_m is 'x'; allowed: 0 to 1000"),
                ({"workers": 0}, "workers is 0; allowed: a whole number, 1 or more"),
                ({"window": (1, 2, 3)}, "window is (1, 2, 3); allowed: x min, y min, x max, y max"),
                ({"holds": "metres"}, 'holds is "metres"; allowed: auto, height, radius'),
            )
        ),
        ((TERRAIN, "moon"), {"work_folder": 3}, "work_folder is 3; allowed: a folder"),
        ((TERRAIN,), {"like": 3}, "like is 3; allowed: the path of a site file, or a Site"),
    ],
}


@pytest.mark.parametrize(
    ("verb", "given", "words", "told"), [(verb, *case) for verb, cases in WRONG.items() for case in cases]
)
def test_what_no_verb_takes_is_told_by_name(
    verb: str, given: tuple[object, ...], words: dict[str, object], told: str
) -> None:
    if verb in ("horizon", "survey"):
        pytest.importorskip("rasterio", reason="the extra terrain")
    with pytest.raises(yieldsim.InputError) as caught:
        getattr(yieldsim, verb)(*given, **words)
    assert told in str(caught.value).splitlines()


@pytest.mark.parametrize(
    "verb", [name for name in WRONG if "progress" in inspect.signature(getattr(yieldsim, name)).parameters]
)
def test_progress_that_can_not_be_called_is_told(verb: str) -> None:
    if verb == "survey":
        pytest.importorskip("rasterio", reason="the extra terrain")
    given, words, _ = WRONG[verb][-1]
    with pytest.raises(yieldsim.InputError) as caught:
        getattr(yieldsim, verb)(*given, **words, progress=3)
    told = str(caught.value).splitlines()
    assert "progress is 3; allowed: a function of (done, of), or None" in told


def test_everything_wrong_with_a_budget_is_told_at_once() -> None:
    wrong: Any = 3
    with pytest.raises(yieldsim.InputError) as caught:
        yieldsim.budget(
            wrong, None, site=wrong, uncertain=wrong, units=0, reliability=2, workers=0, progress=wrong
        )  # type: ignore[arg-type]
    assert str(caught.value).splitlines() == [
        "progress is 3; allowed: a function of (done, of), or None",
        "workers is 0; allowed: a whole number, 1 or more",
        "estimate is 3; allowed: an estimate.nc, or the folder that holds one, or a Dataset",
        "load is None; allowed: the path of a load file, or a LoadPlan",
        "site is 3; allowed: the path of a site file, or a Site",
        "uncertain is 3; allowed: the path of an uncertainty file, or an UncertainPlan",
        "units is 0; allowed: a whole number, 1 to 10000000",
        "reliability is 2; allowed: more than 0, at most 1 (a share of 1, not per cent: 0.02)",
        "uncertain is given alone; allowed: it beside site and collector (the files that the estimate was made from)",
    ]


@pytest.mark.parametrize("verb", ["design", "growth"])
def test_processes_are_told_with_all_else_that_is_wrong(verb: str) -> None:
    with pytest.raises(yieldsim.InputError, match=r"(?s)plan is 5.*workers is 0"):
        getattr(yieldsim, verb)(5, workers=0)


def test_numbers_of_numpy_are_numbers() -> None:
    short = ("2027-01-01", "2027-01-02")
    ds = yieldsim.estimate(SITE, COLLECTOR, *short, tolerance=np.float32(1e-3))
    budget = yieldsim.budget(ds, LOAD, units=np.int64(3), reliability=np.float64(0.9))  # type: ignore[arg-type]
    assert budget.yieldsim.summary == yieldsim.budget(ds, LOAD, units=3, reliability=0.9).yieldsim.summary
    own: dict[str, Any] = {"step_deg": 10, "units": 2, "levelling_deg": 1, "azimuth_error_deg": 2}
    own |= {"reaimings": 1, "tracker_stop_hours": 3}
    turned = yieldsim.orient(SITE, COLLECTOR, *short, **own, compare=[(80.0, 10.0)])
    by_numpy = {key: np.int64(value) for key, value in own.items()} | {"step_deg": np.float32(10.0)}
    other = yieldsim.orient(SITE, COLLECTOR, *short, **by_numpy, compare=np.array([[80.0, 10.0]]))
    assert other.attrs["summary"] == turned.attrs["summary"]
    ranked = yieldsim.rank([SITE], COLLECTOR, *short, continuous_power_w=np.float32(10.0))
    assert ranked.yieldsim.summary["sites"]
    traced = yieldsim.trace(
        SITES / "half-metre-lens.optics.toml", tolerance=np.float32(0.05), seed=np.int64(3)
    )  # type: ignore[arg-type]
    assert json.loads(json.dumps(traced.summary))["schema"]


def test_a_dataset_of_another_origin_has_no_totals() -> None:
    for summary in ("words", "[1]", "3"):
        with pytest.raises(yieldsim.InputError, match="not a result of yieldsim"):
            _ = xr.Dataset(attrs={"summary": summary}).yieldsim.summary


def test_every_file_that_a_verb_takes_can_be_read() -> None:
    plan = yieldsim.read_design(SITES / "lantern-ridge.design.toml")
    assert isinstance(plan, yieldsim.DesignPlan)
    doubts = yieldsim.read_uncertain(SITES / "lantern-ridge.uncertain.toml")
    assert isinstance(doubts, yieldsim.UncertainPlan)


VERBS_AND_READERS = [name for name in yieldsim.__all__ if inspect.isfunction(getattr(yieldsim, name))]


@pytest.mark.parametrize("name", VERBS_AND_READERS)
def test_help_says_what_goes_in_what_comes_out_and_what_is_raised(name: str) -> None:
    verb = getattr(yieldsim, name)
    told = inspect.getdoc(verb) or ""
    assert [key for key in inspect.signature(verb).parameters if not re.search(rf"\b{key}\b", told)] == []
    assert "Raises InputError" in told
    assert name.startswith(("read_", "open_")) or "eturn" in told


def test_verbs_name_one_thing_in_one_way() -> None:
    """The same keyword has the same default and type in every verb; spans and kernels are asked for by all that look at the Sun."""
    seen: dict[str, set[tuple[object, object]]] = {}
    for name in VERBS_AND_READERS:
        for key, given in inspect.signature(getattr(yieldsim, name)).parameters.items():
            seen.setdefault(key, set()).add((given.default, given.annotation))
    for key in (
        "start",
        "end",
        "years",
        "span",
        "kernels",
        "workers",
        "scheduler",
        "interval_minutes",
        "unknown_ground",
        "progress",
    ):
        assert len(seen[key]) == 1, key
    for verb in ("estimate", "orient", "rank", "horizon", "survey", "tune", "design"):
        words = inspect.signature(getattr(yieldsim, verb)).parameters
        assert {"start", "end", "years", "span", "kernels"} <= set(words), verb
