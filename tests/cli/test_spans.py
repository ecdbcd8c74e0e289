"""Every command names the period of its figures and begins its warnings with a span that is not whole seasons."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from yieldsim.cli.main import commands
from yieldsim.files.text.bundled import sites_folder

SITES = sites_folder()
PLAIN, SKYWARD = str(SITES / "rust-plain.toml"), str(SITES / "skyward.collector.toml")
PART = ["--start", "2027-06-01", "--end", "2027-06-20"]
COMMANDS = {
    "estimate": ["estimate", PLAIN, "-c", SKYWARD, "--no-report"],
    "orient": ["orient", PLAIN, "-c", SKYWARD, "--step-deg", "10", "--no-figures"],
    "rank": ["rank", PLAIN, "-c", SKYWARD, "--no-figures", "--tolerance", "0.01"],
}


def done(words: list[str], out: Path) -> tuple[str, str]:
    found = CliRunner().invoke(commands, [*words, "--out", str(out)])
    assert found.exit_code == 0, found.output
    return found.stdout, found.stderr


@pytest.mark.parametrize("name", COMMANDS)
def test_a_part_of_a_martian_year_is_the_first_note(name: str, tmp_path: Path) -> None:
    stdout, stderr = done([*COMMANDS[name], *PART], tmp_path)
    notes = [line for line in stderr.splitlines() if line.startswith("note:")]
    assert "the span is not whole seasons" in " ".join(stderr.split()).split("note:")[1], stderr
    assert notes
    assert "of a Martian year of 687 days, NOT WHOLE SEASONS" in " ".join(stdout.split())
    assert "/year" not in stdout
    assert "a year " not in stdout


def test_a_martian_year_s_files_and_words(tmp_path: Path) -> None:
    stdout, stderr = done([*COMMANDS["estimate"], "--tolerance", "0.01"], tmp_path)
    assert "687.4 days: 1 Martian year of 687 days, whole seasons" in stdout
    assert "by solar longitude Ls" in stdout
    assert "kWh per sol" in stdout
    assert "whole seasons" not in stderr
    with (tmp_path / "seasons.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    summary = json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))
    assert len(rows) == 13 == len(summary["seasonal_kwh"])
    assert sum(float(row["delivered_kwh"]) for row in rows) == pytest.approx(summary["delivered_kwh"])


@pytest.mark.slow
def test_energies_of_orient_are_per_martian_year(tmp_path: Path) -> None:
    stdout, _ = done([*COMMANDS["orient"], "--interval-minutes", "60"], tmp_path)
    assert "energies are kWh a Martian year" in stdout
    assert (
        json.loads((tmp_path / "orient.json").read_text())["period"]["annual_figures_per"] == "Martian year"
    )


def test_years_are_counted_in_what_span_says(tmp_path: Path) -> None:
    words = [*COMMANDS["estimate"], "--tolerance", "0.1"]
    done([*words, "--span", "calendar-year"], tmp_path / "a")
    summary = json.loads((tmp_path / "a" / "summary.json").read_text())
    assert summary["days"] == 365.0
    assert "53% of a Martian year" in summary["warnings"][0]
