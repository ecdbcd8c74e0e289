"""Collectors whose prescriptions are varied: one candidate for each pair, triple, ... of values."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

from yieldsim.base.errors import InputError, Problem
from yieldsim.base.model import Collector, PrescriptionAcceptance
from yieldsim.base.plans.design import MOST_COMBINATIONS, CollectorChoice, DesignPlan, VariedKey


def with_variants(plan: DesignPlan) -> DesignPlan:
    """The plan with every varied collector replaced by its variants, traced. Raises InputError, CannotCompute."""
    if not plan.vary:
        return plan
    found: list[CollectorChoice] = []
    for choice in plan.collectors:
        own = [one for one in plan.vary if one.collector == choice.file.name]
        found += _variants(choice, own) if own else [choice]
    count = len(plan.sites) * max(len(plan.mast_heights_m), 1) * len(found)
    if count > MOST_COMBINATIONS:
        raise InputError(
            Problem(plan.name, "vary", f"makes {count} combinations in all", f"up to {MOST_COMBINATIONS}")
        )
    return replace(plan, collectors=tuple(found), vary=())


def _variants(choice: CollectorChoice, varied: list[VariedKey]) -> list[CollectorChoice]:
    from yieldsim.files.prescription.edit import linked_keys, read_source, with_value

    acceptance = choice.noun.acceptance
    assert isinstance(acceptance, PrescriptionAcceptance)
    path = Path(acceptance.prescription)
    _, data = read_source(path)
    paths = [linked_keys(one.keys, data) for one in varied]
    found = []
    for values in product(*(one.values for one in varied)):
        changed: dict[str, Any] = data
        words = []
        for keys, value in zip(paths, values, strict=True):
            for key, factor in keys:
                changed = with_value(changed, key, factor * value)
            words.append(f"{'.'.join(keys[0][0])} {value:g}")
        name = f"{choice.noun.name}, {', '.join(words)}"
        found.append(CollectorChoice(file=choice.file, noun=_traced(choice.noun, changed, path, name)))
    return found


def _traced(collector: Collector, data: dict[str, Any], path: Path, name: str) -> Collector:
    """A collector with the optics of a changed prescription."""
    from yieldsim.runs.trace.run import TOLERANCE, changed_optics

    prescription, table = changed_optics(data, path, collector, TOLERANCE)
    return replace(collector, name=name, acceptance=table, aperture_area_m2=prescription.aperture_area_m2)
