"""Margins on the loads of phases, against phases that hold from a known margin on."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace

import pytest

from yieldsim.base.errors import CannotCompute
from yieldsim.runs.growth.confidence import confident


@dataclass(frozen=True)
class Load:
    """A load that remembers how much of it is asked."""

    reliability: float = 0.99
    asked: float = 1.0

    def demanding(self, factor):
        return Load(self.reliability, factor)


@dataclass(frozen=True)
class Plan:
    load: Load = Load()


@dataclass(frozen=True)
class Span:
    plan: Plan = Plan()


def plans(enough, most=10.0):
    """A maker of plans whose phases hold from margins `enough` on, heavier by the sum of all margins; none beyond `most`."""

    def built(asked):
        if max(asked) > most:
            return None
        shares = [0.995 if own >= least else 0.985 for own, least in zip(asked, enough, strict=True)]
        drawn = [{"p90": one, "p90_error": 1e-3} for one in shares]
        phases = [SimpleNamespace(summary={"uncertainty": {"target_share": one}}) for one in drawn]
        return SimpleNamespace(phases=phases, cost=sum(asked), asked=asked)

    def planned(spans):
        return tuple(one.plan.load.asked for one in spans)

    return planned, built


@pytest.mark.parametrize("enough", [(1.0, 1.0), (1.04, 1.0), (1.02, 1.11), (1.5, 1.0), (1.07, 1.09, 1.13)])
def test_margins_are_the_least_that_are_enough(enough):
    planned, built = plans(enough)
    ones = (1.0,) * len(enough)
    made, margins = confident((Span(),) * len(enough), planned, built, built(ones))
    assert made.asked == margins
    for margin, least in zip(margins, enough, strict=True):
        # trials are few: a wide bracket is halved some times only
        assert least <= margin <= least + (0.01 if least <= 1.2 else 0.05)


def test_margins_that_nothing_serves_are_told():
    planned, built = plans((1.3, 1.0), most=1.1)
    with pytest.raises(CannotCompute, match="in 90 of 100 draws"):
        confident((Span(), Span()), planned, built, built((1.0, 1.0)))
