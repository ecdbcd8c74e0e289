"""What a notebook uses: readers, nouns and errors at the top, one kernel as well as several, the same answers from paths and nouns."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import skyfield_data

import yieldsim
from yieldsim.files.text.bundled import sites_folder

SITES = sites_folder()
SITE, COLLECTOR = SITES / "lantern-ridge.toml", SITES / "wide.collector.toml"
SPAN = ("2027-01-01", "2027-01-03")
DE421 = str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp")


def test_readers_give_the_nouns_that_verbs_take() -> None:
    site, collector = yieldsim.read_site(SITE), yieldsim.read_collector(COLLECTOR)
    assert isinstance(site, yieldsim.Site)
    assert isinstance(collector, yieldsim.Collector)
    assert isinstance(yieldsim.read_load(SITES / "habitat.load.toml"), yieldsim.LoadPlan)
    by_noun, by_path = yieldsim.estimate(site, collector, *SPAN), yieldsim.estimate(SITE, COLLECTOR, *SPAN)
    assert by_noun.delivered_power_w.equals(by_path.delivered_power_w)


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
