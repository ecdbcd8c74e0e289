"""Published values beside ours: every row recomputed, the committed copy held to it, and the rules of what counts."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest
from agreement.compare import DIFFERS, MEMORY, VERDICTS, WAYS, computed
from agreement.page import page, terminal
from agreement.published import AUTHORITIES, all_published
from agreement.rows import KEPT, all_rows, kept, load_ways
from agreement.terrain import SHARED

LIST = SHARED.parent / "reference" / "PUBLISHED.csv"

load_ways()
QUICK = [key for key, way in WAYS.items() if not way.slow]
SLOW = [key for key, way in WAYS.items() if way.slow]


def held_to_the_copy(key: str) -> None:
    """Ours afresh against the committed copy.

    Tolerance: a tenth of the published uncertainty, or 1e-4 of the value, what other libraries and processors may move it.
    """
    fresh, old = computed(key), kept()[key]
    assert fresh["ours"] == pytest.approx(old["ours"], rel=1e-4, abs=0.1 * fresh["uncertainty"])
    assert fresh["verdict"] == old["verdict"]
    same = set(fresh) - {"ours", "difference", "difference_in_uncertainties", "note"}
    assert {name: fresh[name] for name in same} == {name: old[name] for name in same}


@pytest.mark.parametrize("key", QUICK)
def test_quick_rows_are_those_of_the_copy(key: str) -> None:
    held_to_the_copy(key)


@pytest.mark.slow
@pytest.mark.parametrize("key", SLOW)
def test_slow_rows_are_those_of_the_copy(key: str) -> None:
    if not WAYS[key].possible:
        pytest.skip("no terrain in ../shared/data beside the checkout")
    held_to_the_copy(key)


def test_every_published_row_is_in_the_copy_and_has_a_way_or_a_reason() -> None:
    assert list(kept()) == list(all_published())
    for key, row in all_published().items():
        assert (key in WAYS) == (row.state != "beyond"), key
        assert kept()[key]["ours"] is not None or row.state == "beyond", key


def test_the_page_is_drawn_from_the_copy() -> None:
    rows = list(kept().values())
    assert KEPT.with_suffix(".md").read_text(encoding="utf-8") == page(rows)
    assert max(map(len, terminal(rows).splitlines())) <= 80


def test_nothing_remembered_counts_and_nothing_is_hidden() -> None:
    content = json.loads(KEPT.read_text(encoding="utf-8"))
    rows = content["rows"]
    assert not any(row["counted"] for row in rows if row["known"] == "memory")
    assert all(row["verdict"] in VERDICTS for row in rows)
    assert {row["known"] for row in rows if row["verdict"] == MEMORY} <= {"memory"}
    assert content["counts"] == {name: sum(row["verdict"] == name for row in rows) for name in VERDICTS}
    # a difference without a reason may stand in the table, but never without being told here
    assert {row["key"] for row in rows if row["verdict"] == DIFFERS} == {"bussey1999-pair"}


def test_every_table_of_the_authorities_is_compared() -> None:
    used = {row.table for row in all_published().values() if row.table}
    there = {path.name for path in Path(AUTHORITIES).glob("*.csv")}
    assert there <= used, there - used


def numbers_in(text: str) -> set[float]:
    """Every number that a text holds, without signs."""
    return {float(one) for one in re.findall(r"\d+(?:\.\d+)?", text)}


def test_every_row_of_the_list_of_published_results_is_accounted_for() -> None:
    """Each is answered by rows of ours, computed or with a reason, that hold one of its numbers; none is repeated word for word."""
    if not LIST.is_file():
        pytest.skip("no list of published results in ../shared/reference beside the checkout")
    with LIST.open(encoding="utf-8", newline="") as file:
        listed = dict(enumerate(csv.DictReader(file), start=1))
    answers: dict[int, list[str]] = {}
    for row in all_published().values():
        said = numbers_in(f"{row.value} {row.quantity} {row.conditions} {row.place}")
        for place in row.listed:
            given = listed[place]
            assert row.quantity != given["quantity"], row.key
            # a year or an angle alone is no statement
            assert len(given["conditions"]) < 20 or row.conditions != given["conditions"], row.key
            assert row.known == given["seen_memory_or_derived"] or row.known == "derived", row.key
            # a share of 1 here may be a percentage there; one caption may hold several numbers
            theirs = numbers_in(given["value"])
            told = numbers_in(row.value) and numbers_in(row.value) <= numbers_in(given["conditions"])
            assert told or not theirs or theirs & (said | {round(100.0 * one, 6) for one in said}), row.key
            answers.setdefault(place, []).append(row.key)
    assert sorted(answers) == sorted(listed), set(listed) - set(answers)


def test_rows_without_their_terrain_keep_their_value(monkeypatch: pytest.MonkeyPatch) -> None:
    for key in WAYS:
        monkeypatch.setitem(WAYS, key, WAYS["sun-half-angle"].__class__(compute=_fails, slow=True, files=()))
    assert [row["ours"] for row in all_rows(slow=False)] == [row["ours"] for row in kept().values()]


def _fails() -> float:
    raise AssertionError("a slow row was computed")
