"""Verdicts: no share is rounded across its target, no size down to where it fails."""

from __future__ import annotations

import pytest

from yieldsim.report.budget.verdict_text import at_least, share_against, verdict_rows, verdict_sentence


@pytest.mark.parametrize("target", [0.9, 0.95, 0.99, 0.999, 1.0])
def test_no_share_is_shown_on_the_other_side_of_its_target(target: float) -> None:
    for short in (1e-1, 1e-2, 5e-4, 3e-5, 2e-6, 1e-7, 1e-10):
        below = share_against(target - short, target)
        if below.startswith("just below"):
            assert short < 1e-7
        else:
            assert float(below.removesuffix(" %")) < 100.0 * target
        above = share_against(min(target + short, 1.0), target)
        assert float(above.removesuffix(" %")) >= 100.0 * target - 1e-9


@pytest.mark.parametrize("size", [1.6624401632770502, 0.0012341, 999.4, 1e-9, 7.0, 123456.7])
def test_a_size_is_shown_as_one_that_holds(size: float) -> None:
    assert size <= at_least(size) * (1.0 + 1e-12)
    assert at_least(size) <= size * 1.01


def test_verdict_in_rows_and_in_a_sentence() -> None:
    summary = {
        "outages_of": "essential loads",
        "verdict": {
            "required": 0.99,
            "of": "energy",
            "passes": False,
            "cases": [
                {"case": "this run", "reached": 0.9951, "margin": 0.0051, "passes": True},
                {"case": "year 10 of service", "reached": 0.98954, "margin": -0.00046, "passes": False},
            ],
            "sizes": [
                {"case": "storage", "unit": "kWh", "given": 2.0, "needed": 1.6624, "margin": 0.3376, "passes": True},
                {"case": "units", "unit": "units", "given": 216, "needed": None, "margin": None, "passes": False},
            ],
        },
    }  # fmt: skip
    assert verdict_rows(summary) == [
        ["this run", "99 %", "99.51 %", "+0.51 points", "pass"],
        ["year 10 of service", "99 %", "98.95 %", "-0.046 points", "fail"],
        ["storage", "1.67 kWh", "2 kWh", "+0.338 kWh", "pass"],
        ["units", "no size does", "216", "–", "fail"],
    ]
    assert (
        verdict_sentence(summary)
        == "Fail: 99 % of essential loads (by energy) is not reached in year 10 of service."
    )


@pytest.mark.parametrize(
    ("unit", "given", "needed", "told"),
    [
        ("units", 216, 12345, ["12345", "216", "-12129"]),
        ("kWh", 20.0, 2345.6, ["2350 kWh", "20 kWh", "-2326 kWh"]),
        ("kWh", 2.0, 1.6624, ["1.67 kWh", "2 kWh", "+0.338 kWh"]),
    ],
)
def test_margins_of_large_sizes_are_plain_numbers(
    unit: str, given: float, needed: float, told: list[str]
) -> None:
    size = {"case": "sizes", "unit": unit, "given": given, "needed": needed, "passes": False}
    summary = {"verdict": {"required": 0.99, "of": "energy", "cases": [], "sizes": [size]}}
    assert verdict_rows(summary)[0][1:4] == told  # type: ignore[arg-type]
