"""The report as a whole: pages, words, fonts, tags, alternatives, odd names, the same bytes whatever the process."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from yieldsim.base import safety_notices
from yieldsim.report.estimate import pages
from yieldsim.report.layout import style

pymupdf = pytest.importorskip("pymupdf")

Make = Callable[..., xr.Dataset]
GLANCE = (1754, 1240)
"""A4 across at 150 to the inch: 297 mm and 210 mm, rounded."""
PAGES = {
    "lunar polar year, three mounts": 7,
    "martian year": 7,
    "lunar polar decade": 7,
    "three martian days": 6,
    "one day": 5,
    "all dark": 5,
    "mercury year": 5,
}
ODD = 'Ridge #1 $x^2$ _a_ *b* "q" <t> \\ @r `c` // %d {} [] = 月面 Ж'


def words(document: Any) -> str:
    """All text, spaces of every kind as one."""
    return re.sub(r"\s+", " ", " ".join(page.get_text() for page in document))


def size(png: bytes) -> tuple[int, int]:
    """Width and height from the file's header."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    return int.from_bytes(png[16:20]), int.from_bytes(png[20:24])


@pytest.mark.parametrize(("case", "count"), PAGES.items())
def test_pages_and_their_words(
    make_estimate: Make, report: Callable[[str], Any], case: str, count: int
) -> None:
    summary = json.loads(make_estimate(case).attrs["summary"])
    document = report(case)
    assert len(document) == count
    text = words(document)
    for part in (
        summary["site"]["name"],
        style.energy(summary["delivered_kwh"]).replace(style.NARROW_SPACE, " "),
        "Sun paths and mounts",
        "From sunlight to delivered light",
        "Outages of light",
        "Inputs and method",
        safety_notices.CAUTION_EYES,
        safety_notices.CAUTION_ESTIMATE,
        *(source[key] for source in summary["provenance"]["inputs"] for key in ("name", "sha256")),
    ):
        assert part in text, part
    assert "nan" not in text.lower().split()


@pytest.mark.parametrize("case", PAGES)
def test_fonts_are_embedded_and_nothing_leaves_the_page(report: Callable[[str], Any], case: str) -> None:
    document = report(case)
    for page in document:
        for font in page.get_fonts():
            assert document.extract_font(font[0])[3], f"{font[3]} is not embedded"
            assert "DejaVu" in font[3]
        inside = page.rect + pymupdf.Rect(20, 20, -20, -20)
        for block in page.get_text("blocks"):
            assert pymupdf.Rect(block[:4]) in inside, block[4]


def test_tagged_with_an_alternative_for_every_figure(
    make_estimate: Make, report: Callable[[str], Any]
) -> None:
    document = report("martian year")
    objects = [document.xref_object(number) for number in range(1, document.xref_length())]
    alternatives = [entry for entry in objects if "/S /Figure" in entry and "/Alt" in entry]
    assert len(alternatives) == len(pages._pdf_panels(make_estimate("martian year")))
    catalogue = document.xref_object(document.pdf_catalog())
    assert "/StructTreeRoot" in catalogue
    assert "/Marked true" in catalogue
    assert "/Lang" in catalogue


def test_outline_leads_to_every_page_head(report: Callable[[str], Any]) -> None:
    heads = [title for level, title, _ in report("martian year").get_toc() if level == 1]
    assert heads[1:] == [
        "Sun paths and mounts",
        "Power through the days",
        "Energy by period",
        "From sunlight to delivered light",
        "Outages of light",
        "Inputs and method",
    ]


def test_summary_is_attached(make_estimate: Make, report: Callable[[str], Any]) -> None:
    attached = report("martian year").embfile_get("summary.json")
    assert attached.decode() == make_estimate("martian year").attrs["summary"]


def test_long_runs_have_a_table_of_years(report: Callable[[str], Any]) -> None:
    text = words(report("lunar polar decade"))
    assert "By year" in text
    assert all(str(year) in text for year in range(2026, 2037))
    assert "By year" not in words(report("lunar polar year, three mounts"))


def test_no_light_at_all_is_said_so(report: Callable[[str], Any]) -> None:
    assert "No light is delivered in this run." in words(report("all dark"))


@pytest.mark.usefixtures("blank_figures")
def test_all_warnings_stand_on_the_first_page(make_estimate: Make) -> None:
    lines = tuple(f"Warning number {index} about something" for index in range(12))
    document = pymupdf.open(stream=pages.report_pdf(make_estimate("three martian days", warnings=lines)))
    first = words([document[0]])
    assert all(first.count(line) == 1 for line in lines)
    assert all("12 warnings: see page 1." in words([page]) for page in document)


@pytest.mark.usefixtures("blank_figures")
def test_cautions_of_the_run_are_printed_once(make_estimate: Make) -> None:
    ds = make_estimate("three martian days")
    summary = json.loads(ds.attrs["summary"]) | {"cautions": ["Mind the step.", safety_notices.CAUTION_EYES]}
    ds = ds.assign_attrs(summary=json.dumps(summary))
    text = words(pymupdf.open(stream=pages.report_pdf(ds)))
    assert text.count("Mind the step.") == 1
    assert text.count(safety_notices.CAUTION_EYES) == 1


@pytest.mark.parametrize(
    "name",
    [
        ODD,
        "x" * 300,
        " ",
        *(
            pytest.param(name, marks=pytest.mark.slow)
            for name in ("عرب أفق", "#let x = 1", "\n- a\n= b\x07\x00", "😀 e\u0301")
        ),
    ],
)
def test_odd_names_are_printed_as_they_are(make_estimate: Make, name: str) -> None:
    ds = make_estimate("one day", name=name, collector=name)
    document = pymupdf.open(stream=pages.report_pdf(ds))
    assert len(document) == PAGES["one day"]
    if name == ODD:
        assert document.metadata["title"].startswith(ODD)
        assert ODD in words([document[0]])
    assert size(pages.report_png(ds)) == GLANCE


def test_many_mounts_and_wide_names_still_fit_one_picture(make_estimate: Make) -> None:
    mounts = tuple((80.0, 11.0 * index, 0.0, 1) for index in range(32))
    ds = make_estimate("lunar polar year", mounts=mounts, name="W" * 200, collector="M" * 300, hours=800)
    assert size(pages.report_png(ds)) == GLANCE
    assert "AF" in words(pymupdf.open(stream=pages.report_pdf(ds)))


def test_rows_of_a_whole_day_still_make_a_report(make_estimate: Make) -> None:
    """On Mars such rows cannot tell the hour: a line instead of a map, no mean day, dots instead of Sun paths."""
    ds = make_estimate("martian year").isel(time=slice(None, None, 24))
    start = ds["time_bnds"].values[:, 0]
    ds["time_bnds"].values[:, 1] = start + np.timedelta64(24, "h")
    text = words(pymupdf.open(stream=pages.report_pdf(ds)))
    assert "Mean power against time" in text
    assert "The mean sol" not in text
    assert "By season" not in text
    assert size(pages.report_png(ds)) == GLANCE


def test_missing_numbers_are_dashes(make_estimate: Make) -> None:
    ds = make_estimate("three martian days")
    summary = json.loads(ds.attrs["summary"])
    summary |= {
        "capture_fraction": None,
        "etendue": None,
        "etendue_limited_kwh": None,
        "delivered_kwh_per_kg": None,
    }
    text = words(pymupdf.open(stream=pages.report_pdf(ds.assign_attrs(summary=json.dumps(summary)))))
    assert "Capture fraction –" in text
    assert "Per mass – mass not given" in text
    assert "fibre aperture not given" in text


def test_delivery_without_a_gap(make_estimate: Make) -> None:
    ds = make_estimate("three martian days")
    summary = json.loads(ds.attrs["summary"])
    summary |= {
        "gaps": [],
        "longest_gap_hours": 0.0,
        "longest_gap_start_utc": None,
        "longest_gap_end_utc": None,
    }
    ds = ds.assign_attrs(summary=json.dumps(summary)).assign(
        delivering_fraction=ds["delivering_fraction"] * 0 + 1
    )
    assert "Light is delivered in every hour of the run." in words(pymupdf.open(stream=pages.report_pdf(ds)))


def test_same_bytes_from_a_file_in_another_process(make_estimate: Make, tmp_path: Path) -> None:
    """Another process, another hash seed, another zone and locale, the Dataset read back from NetCDF."""
    ds = make_estimate("three martian days", name=ODD)
    for name in ("time", "time_bnds"):
        ds[name].encoding["units"] = "hours since 2026-01-01"
    ds.to_netcdf(tmp_path / "estimate.nc")
    script = (
        "import sys, hashlib, xarray\n"
        "from yieldsim.report.estimate.pages import report_pdf, report_png\n"
        "with xarray.open_dataset(sys.argv[1]) as ds:\n"
        "    print(*(hashlib.sha256(made(ds)).hexdigest() for made in (report_pdf, report_png)))\n"
    )
    env = os.environ | {
        "PYTHONHASHSEED": "77",
        "TZ": "Pacific/Auckland",
        "LC_ALL": "C",
        "SOURCE_DATE_EPOCH": "99",
    }
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", script, str(tmp_path / "estimate.nc")],
        capture_output=True, text=True, check=True, env=env, cwd=Path(pages.__file__).parents[2],
    )  # fmt: skip
    here = [hashlib.sha256(made).hexdigest() for made in pages.report_pages(ds)]
    assert done.stdout.split() == here
