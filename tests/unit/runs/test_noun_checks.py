"""Nouns made in a program meet the refusals of their files."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.base.errors import InputError
from yieldsim.base.load_model import Load, LoadPlan, Schedule, Storage
from yieldsim.base.model import (
    CleaningEvent,
    Dust,
    Fibre,
    GrainRemoval,
    HorizonMask,
    Mount,
    RoundAcceptance,
    Shield,
)
from yieldsim.base.radiation_model import Radiation
from yieldsim.files.inputs.load import read_load
from yieldsim.files.inputs.readers import read_collector, read_site
from yieldsim.files.inputs.uncertainty import read_uncertain
from yieldsim.files.text.bundled import sites_folder
from yieldsim.runs.estimate.run import estimate
from yieldsim.runs.noun_checks import noun_problems, with_plain_numbers

SITE = read_site(sites_folder() / "lantern-ridge.toml").noun
COLLECTOR = read_collector(sites_folder() / "wide.collector.toml").noun
THERMAL = read_collector(sites_folder() / "insulated.collector.toml").noun.thermal
GRAINS = GrainRemoval(diameter_um=[1.0, 9.0], removal_fraction=[0.1, 0.9], median_um=5.0, geometric_sd=1.5)


def words(noun):
    return "\n".join(str(problem) for problem in noun_problems(noun))


@pytest.mark.parametrize("tilt_deg", [-5.0, 180.5, math.nan, "5", True, None])
def test_a_tilt_that_a_file_can_not_hold_is_refused_by_the_verb(tilt_deg):
    tilted = replace(COLLECTOR, mounts=(Mount(tilt_deg=tilt_deg, azimuth_deg=0.0),))
    with pytest.raises(InputError, match=r"mounts #1 tilt_deg is .*; allowed: 0 to 180"):
        estimate(SITE, tilted, "2027-01-01", "2027-01-02")


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"shield": Shield(removal=0.5)}, "shield.cycle_hours is missing"),
        ({"shield": "none"}, "shield is 'none'; allowed: a Shield"),
        ({"fibre": Fibre(length_m=1.0, numerical_aperture=0.4)}, "fibre.face_diameter_mm is missing"),
        (
            {"fibre": Fibre(length_m=1.0, attenuation=-1.0)},
            "fibre.attenuation is -1.0; allowed: 0 to 1000000",
        ),
        ({"mounts": COLLECTOR.mounts[0]}, "mounts is Mount.*; allowed: a tuple"),
        ({"mounts": (Mount(tilt_deg=1.0, azimuth_deg=0.0, count=1.5),)}, "mounts #1 count is 1.5"),
        ({"name": ""}, "name is ''"),
        ({"thermal": THERMAL, "fibre": None}, "thermal stands without a fibre"),
        (
            {"thermal": replace(THERMAL, fibre=replace(THERMAL.fibre, highest_k=1.0))},
            "thermal.fibre.highest_k is 1; allowed: more than lowest_k, 208",
        ),
        (
            {"fibre": replace(COLLECTOR.fibre, coupling=98.0)},
            r"fibre.coupling is 98.0; allowed: more than 0, at most 1 \(a share of 1, not per cent: 0.98\)",
        ),
        (
            {"radiation": Radiation(dose_gy_per_year=1.0)},
            "radiation.fibre_db_per_km is missing, as lens_loss",
        ),
        (
            {"shield": Shield(cycle_hours=1.0, removal=0.5, lowest_removal=0.6, highest_removal=0.9)},
            "shield.highest_removal holds 0.6 to 0.9 around a removal of 0.5",
        ),
        (
            {"shield": Shield(cycle_hours=1.0, grains=replace(GRAINS, removal_fraction=[0.5]))},
            "shield.grains.removal_fraction has the shape",
        ),
    ],
)
def test_collectors(changes, told):
    assert re.search(told, words(replace(COLLECTOR, **changes)))


def test_every_problem_is_listed_at_once():
    bad = replace(
        SITE,
        latitude_deg=91.0,
        dust=Dust(loss_per_day=1.0, model="cubic", events=(CleaningEvent(time_utc="soon", removes=2.0),)),
        horizon=HorizonMask(azimuth_deg=[10.0, 0.0], elevation_deg=[0.0, np.inf]),
    )
    found = [problem.key for problem in noun_problems(bad)]
    assert found == [
        "latitude_deg",
        "horizon.azimuth_deg",
        "horizon.elevation_deg",
        "dust.loss_per_day",
        "dust.model",
        "dust.events #1 removes",
    ]


def test_air_only_where_the_body_has_it():
    assert "optical_depth is given, but Moon has no atmosphere" in words(replace(SITE, optical_depth=0.5))


def test_tables_that_are_no_arrays_of_numbers():
    with pytest.raises(InputError, match="no number, or rows of unequal length"):
        RoundAcceptance(incidence_deg=["a"], acceptance_fraction=[1.0], source="disc")


def test_a_body_by_its_name_is_told_where_bodies_come_from():
    assert "body is 'moon'; allowed: a Body (take that of a site that read_site has read)" in words(
        replace(SITE, body="moon")
    )


def test_load_plans():
    plan = LoadPlan(
        name="x",
        loads=(
            Load(name="a b", kind="light", amount=math.inf, priority="deferrable"),
            Load(name="a", kind="heat", schedule=Schedule(weekdays=(7,))),
        ),
        storage=Storage(capacity_kwh=1.0, initial_fraction=0.1, least_fraction=0.2),
    )
    assert [problem.key for problem in noun_problems(plan)] == [
        "loads #1 amount",
        "loads #2 schedule.weekdays",
        "storage.initial_fraction",
    ]


def test_nouns_of_the_demo_files_pass():
    folder = sites_folder()
    for path in folder.glob("*.load.toml"):
        assert words(read_load(path).noun) == ""
    for path in folder.glob("*.uncertain.toml"):
        assert words(read_uncertain(path).noun) == ""


def test_scalars_of_numpy_are_taken_as_numbers():
    load = read_load(sites_folder() / "habitat.load.toml").noun
    storage = replace(load.storage, capacity_kwh=np.float64(load.storage.capacity_kwh))
    asked = with_plain_numbers(replace(load, storage=storage))
    assert type(asked.storage.capacity_kwh) is float
    assert asked == load
    site = replace(SITE, latitude_deg=np.float32(-89.5))
    assert type(with_plain_numbers(site).latitude_deg) is float
    # nothing to change: the same noun, with the moments that are NumPy's
    assert with_plain_numbers(COLLECTOR) is COLLECTOR
    event = CleaningEvent(time_utc=np.datetime64("2027-03-01T00:00:00", "ns"), removes=0.5)
    assert with_plain_numbers(event) is event
