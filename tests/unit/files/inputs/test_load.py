"""Load and uncertainty files: what they become, and everything wrong with them at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.errors import InputError
from yieldsim.base.load_model import ShieldOutage
from yieldsim.files.inputs.load import column_word, read_load
from yieldsim.files.inputs.uncertainty import read_uncertain
from yieldsim.files.text.bundled import sites_folder

PLAIN = """
[[loads]]
name = "greenhouse"
kind = "light"
power_w = 400.0
hours = "06-22"
[storage]
capacity_kwh = 120.0
"""


def written(folder: Path, text: str, name: str = "house.load.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def refusal(path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_load(path)
    return [str(problem).split(f"{path.name} ", 1)[-1] for problem in caught.value.problems]


def test_the_plainest_file(tmp_path: Path) -> None:
    found = read_load(written(tmp_path, PLAIN))
    plan = found.noun
    assert plan.name == "house"
    (load,) = plan.loads
    assert (load.name, load.kind, load.unit, load.amount, load.priority) == (
        "greenhouse",
        "light",
        "W",
        400.0,
        "essential",
    )
    assert (load.schedule.windows, load.schedule.clock) == (((6.0, 22.0),), "solar")
    assert (load.direct_efficiency, load.from_storage_efficiency) == (1.0, 1.0)
    assert plan.storage is not None
    assert (plan.storage.kind, plan.storage.capacity_kwh, plan.storage.initial_fraction) == (
        "battery",
        120.0,
        1.0,
    )
    assert (plan.reliability, plan.reliability_of, plan.life) == (1.0, "energy", None)
    # losses that nobody stated are told
    assert any("charge_efficiency, discharge_efficiency not given" in line for line in found.warnings)
    assert any("counts as light without loss" in line for line in found.warnings)
    assert [source.role for source in found.sources] == ["load"]


def test_every_key(tmp_path: Path) -> None:
    (tmp_path / "day.csv").write_text("hour,power_w\n0,5\n8,20\n17,5\n")
    (tmp_path / "year.csv").write_text("time_utc,lumens\n2027-01-01,100\n2027-07-01T12:00:00Z,50\n")
    plan = read_load(
        written(
            tmp_path,
            """
name = "Lantern house"
[[loads]]
name = "crops"
kind = "light"
photon_flux_umol_per_m2_s = 300.0
area_m2 = 2.5
efficiency = 0.8
hours = "06:30-12, 13-22:15"
clock = "utc"
lamp_umol_per_j = 2.8
[[loads]]
name = "lamps"
kind = "light"
table = "year.csv"
lamp_lm_per_w = 120.0
hours = "22-06"
[[loads]]
name = "air"
kind = "electric"
table = "day.csv"
converter_efficiency = 0.3
weekdays = ["sun", "mon"]
monthly_factors = [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0.5]
[[loads]]
name = "baths"
kind = "heat"
power_w = 900
priority = "deferrable"
window_hours = 24
most_power_w = 2000.0
mission_days = "1-30, 45"
seasonal_factors = [[0.0, 1.0], [180.0, 0.5]]
from_storage_efficiency = 0.9
[[loads]]
name = "shields"
kind = "electric"
dust_shields = true
converter_efficiency = 0.25
priority = "sheddable"
[storage]
kind = "battery"
capacity_kwh = 30
converter_efficiency = 0.3
charge_efficiency = 0.95
discharge_efficiency = 0.9
charge_power_w = 500.0
discharge_power_w = 400.0
standing_loss_per_day = 0.001
initial_fraction = 0.5
least_fraction = 0.1
reserve_fraction = 0.4
fade_per_cycle = 1e-4
fade_per_year = 0.01
mass_kg_per_kwh = 7.0
[sizing]
reliability = 0.99
of = "hours"
[spectrum]
luminous_efficacy_lm_per_w = 105.0
[life]
years = 10
lens_darkening_per_year = 0.005
visit_every_days = 365
visit_removes = 0.9
shield_outages = [{ fails = 2030-01-01, repaired = 2030-02-01T12:00:00 }, { fails = 2034-01-01 }]
[exchange]
light_per_electric = 3.5
""",
        )
    )
    crops, lamps, air, baths, shields = plan.noun.loads
    assert (crops.unit, crops.amount, crops.direct_efficiency, crops.lamp_yield) == (
        "umol/s",
        750.0,
        0.8,
        2.8,
    )
    assert crops.schedule.windows == ((6.5, 12.0), (13.0, 22.25))
    assert (lamps.unit, lamps.amount.against, lamps.lamp_yield) == ("lm", "utc", 120.0)  # type: ignore[union-attr]
    assert lamps.schedule.windows == ((0.0, 6.0), (22.0, 24.0))
    moments = lamps.amount.x.astype(np.int64).astype("datetime64[ns]")  # type: ignore[union-attr]
    assert moments[1] == np.datetime64("2027-07-01T12:00", "ns")
    assert (air.unit, air.amount.against, air.direct_efficiency) == ("W", "hour", 0.3)  # type: ignore[union-attr]
    assert air.schedule.weekdays == (0, 6)
    assert (baths.priority, baths.window_hours, baths.most_power_w) == ("deferrable", 24.0, 2000.0)
    assert baths.schedule.mission_days == ((1, 30), (45, 45))
    assert baths.schedule.seasonal_factors == ((0.0, 1.0), (180.0, 0.5))
    assert (baths.from_storage_efficiency, shields.is_shield) == (0.9, True)
    store, life = plan.noun.storage, plan.noun.life
    assert store is not None
    assert life is not None
    assert (store.reserve_fraction, store.fade_per_cycle, store.mass_kg_per_kwh) == (0.4, 1e-4, 7.0)
    assert life.shield_outages == (
        ShieldOutage(fails_utc="2030-01-01T00:00:00", repaired_utc="2030-02-01T12:00:00"),
        ShieldOutage(fails_utc="2034-01-01T00:00:00"),
    )
    assert (plan.noun.reliability, plan.noun.reliability_of, plan.noun.light_per_electric) == (
        0.99,
        "hours",
        3.5,
    )
    assert plan.noun.luminous_efficacy_lm_per_w == 105.0
    assert {source.name for source in plan.sources} == {"house.load.toml", "day.csv", "year.csv"}
    assert plan.warnings == ()


def test_the_whole_store_waits_for_essential_loads_where_there_are_others(tmp_path: Path) -> None:
    other = PLAIN + '[[loads]]\nname = "b"\nkind = "heat"\npower_w = 1\npriority = "sheddable"\n'
    plan = read_load(written(tmp_path, other)).noun
    assert plan.storage is not None
    assert plan.storage.reserve_fraction == 1.0
    alone = read_load(written(tmp_path, PLAIN)).noun
    assert alone.storage is not None
    assert alone.storage.reserve_fraction == 0.0


def test_a_heat_store_serves_heat(tmp_path: Path) -> None:
    text = PLAIN.replace(
        "[storage]", '[[loads]]\nname = "b"\nkind = "heat"\npower_w = 1\n[storage]\nkind = "heat"'
    )
    found = read_load(written(tmp_path, text))
    light, heat = found.noun.loads
    assert (light.from_storage_efficiency, heat.from_storage_efficiency) == (0.0, 1.0)
    assert any('a heat store can\'t serve "greenhouse" (light)' in line for line in found.warnings)


def test_the_demo_load_is_good() -> None:
    assert read_load(sites_folder() / "habitat.load.toml").noun.loads


@pytest.mark.parametrize(
    ("wrong", "expected"),
    [
        ('kind = "ligth"', 'kind is "ligth"; allowed: light, heat, electric (did you mean light?)'),
        ("power_w = -4", "power_w is -4; allowed: 0 to 1000000000"),
        ("power_w = true", "power_w is true; allowed: a number, 0 to 1000000000"),
        ("powr_w = 4", 'has an unknown key "powr_w" (did you mean power_w?)'),
        ("lumens = 4.0", "lumens stands beside power_w; allowed: one amount"),
        ("area_m2 = 4.0", "area_m2 stands without a flux"),
        ('hours = "6-25"', 'hours is "6-25"; allowed: hours from 00 to 24'),
        ('hours = "06 to 22"', 'hours is "06 to 22"; allowed: "06-22"'),
        ('hours = "06-12, 11-13"', "windows that don't overlap"),
        ('hours = "06-06"', 'a whole day is "00-24" or "always"'),
        ('clock = "mars"', 'clock is "mars"; allowed: solar, utc'),
        (
            'weekdays = ["tue", "Monday"]',
            'weekdays holds "Monday"; allowed: a list of mon, tue, wed, thu, fri, sat, sun (did you mean mon?)',
        ),
        ("weekdays = []", "weekdays is empty; allowed: a list of mon"),
        ('mission_days = "9-3"', 'mission_days is "9-3"; allowed: ranges such as "1-30, 45"'),
        ("monthly_factors = [1, 2]", "a list of 12 factors"),
        ("seasonal_factors = [[10.0, 1.0], [5.0, 1.0]]", "has the longitudes 10, 5; allowed: rows"),
        ('priority = "deferrable"', "window_hours is missing; allowed: more than 0"),
        ("window_hours = 5.0", "window_hours is given for a load that is essential"),
        ("converter_efficiency = 0.3", "converter_efficiency is given for light (efficiency is the key for it)"),
        ("efficiency = 1.2", "efficiency is 1.2; allowed: more than 0, at most 1"),
        ("efficiency = 93", "efficiency is 93; allowed: more than 0, at most 1 (a share of 1, not per cent: 0.93)"),
        ("dust_shields = true", "dust_shields stands beside power_w"),
        ('lamp_umol_per_j = 3.0', "lamp_umol_per_j is given for a load in another unit"),
        ('table = "none.csv"', 'table names "none.csv", which does not exist'),
    ],
)  # fmt: skip
def test_a_wrong_load(tmp_path: Path, wrong: str, expected: str) -> None:
    key = wrong.split(" = ")[0]
    lines = [line for line in PLAIN.splitlines() if line.split(" = ")[0] != key]
    lines.insert(lines.index("[storage]"), wrong)
    assert any(expected in line for line in refusal(written(tmp_path, "\n".join(lines))))


@pytest.mark.parametrize(
    ("wrong", "expected"),
    [
        ("least_fraction = 0.5\ninitial_fraction = 0.2", "initial_fraction is 0.2; allowed: at least least_fraction, 0.5"),
        ("standing_loss_per_day = 1.0", "standing_loss_per_day is 1.0; allowed: "),
        ('kind = "flywheel"', 'kind is "flywheel"; allowed: battery, heat'),
        ("capacity_kwh2 = 3", 'unknown key "capacity_kwh2"'),
        ("[sizing]\nreliability = 99.0", "reliability is 99.0; allowed: more than 0, at most 1 (a share of 1, not per cent: 0.99)"),
        ("initial_fraction = 93", "initial_fraction is 93; allowed: 0 to 1 (a share of 1, not per cent: 0.93)"),
        ("[life]\nyears = 2.5", "years is 2.5; allowed: a whole number, 1 to 100"),
        ("[life]\nyears = 2\nvisit_every_days = 30", "visit_removes is missing (visit_every_days is given)"),
        ("[life]\nyears = 2\nshield_outages = [{ fails = 2030-01-02, repaired = 2030-01-01 }]", "a moment after fails"),
        (
            "[life]\nyears = 2\nshield_outages = [{ fails = 2030-01-02T00:00:00, repaired = 2030-01-02T01:00:00+02:00 }]",
            "repaired is 2030-01-02 01:00:00+02:00; allowed: a moment after fails",
        ),
        (
            "[life]\nyears = 2\nshield_outages = [{ fails = 2030-01-02T00:00:00Z, repaired = 2030-01-01 }]",
            "a moment after fails",
        ),
        ("[exchange]\nlight_per_electric = -1", "light_per_electric is -1; allowed: 0 to 10000"),
        ('[[loads]]\nname = "Greenhouse!"\nkind = "heat"\npower_w = 1', 'hold "greenhouse" and "Greenhouse!"'),
        ('[[loads]]\nname = "b"\nkind = "heat"', "has no amount; allowed: one of power_w"),
        ('[[loads]]\nname = "b"\nkind = "heat"\nlumens = 3', "lumens is given for heat (it measures light)"),
        ('[[loads]]\nname = "b"\nkind = "electric"\npower_w = 3', "converter_efficiency is missing"),
        ('[[loads]]\nname = "b"\nkind = "light"\nilluminance_lux = 3', "area_m2 is missing (illuminance_lux is for"),
    ],
)  # fmt: skip
def test_a_wrong_table(tmp_path: Path, wrong: str, expected: str) -> None:
    found = refusal(written(tmp_path, PLAIN + wrong + "\n"))
    assert any(expected in line for line in found), found


def test_no_loads_at_all(tmp_path: Path) -> None:
    assert "[[loads]] is missing" in " ".join(refusal(written(tmp_path, "[storage]\ncapacity_kwh = 1.0\n")))
    assert "is empty; allowed: one or more" in " ".join(refusal(written(tmp_path, "loads = []\n")))


def test_all_problems_of_all_tables_at_once(tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_text("hour,power_w\n1,5\n8,-20\n7,2\n24,x\n")
    text = '[[loads]]\nname = "a"\nkind = "heat"\ntable = "bad.csv"\n[storage]\ncapacity_kwh = -1\n'
    found = refusal(written(tmp_path, text))
    assert any("capacity_kwh is -1" in line for line in found)
    table = " ".join(found)
    assert "line 3" in table
    assert "power_w is" in table
    assert "hour 7 follows 8" in table


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("hour,power_w\n1,5\n", "hour begins at 1; allowed: a first row at 0"),
        ("hour,power_w\n0,5\n24,5\n", "hour is 24; allowed: below 24"),
        ("time_utc,power_w\n2027-13-01,5\n", "time_utc"),
        ("hour,watts\n0,5\n", "power_w"),
    ],
)
def test_a_wrong_table_of_amounts(tmp_path: Path, text: str, expected: str) -> None:
    (tmp_path / "t.csv").write_text(text)
    plan = '[[loads]]\nname = "a"\nkind = "heat"\ntable = "t.csv"\n'
    assert expected in " ".join(refusal(written(tmp_path, plan)))


def test_names_become_columns() -> None:
    assert column_word("Water warming (night)") == "water_warming_night"
    assert column_word("!!!") == "load"


# ---------------------------------------------------------------- uncertainty


def unsure(folder: Path, text: str) -> list[str]:
    path = written(folder, text, "doubts.toml")
    with pytest.raises(InputError) as caught:
        read_uncertain(path)
    return [str(problem) for problem in caught.value.problems]


ONE = '[[uncertain]]\nwhat = "dust_rate"\ndistribution = "normal"\nmean = 1.0\nsd = 0.2\n'


def test_an_uncertainty_file(tmp_path: Path) -> None:
    text = (
        "draws = 256\nseed = 9\n"
        + ONE
        + '[[uncertain]]\nwhat = "horizon_height_deg"\ndistribution = "triangular"\nlow = -0.1\nlikely = 0.0\nhigh = 0.3\n'
    )
    plan = read_uncertain(written(tmp_path, text, "doubts.toml")).noun
    assert (plan.draws, plan.seed) == (256, 9)
    assert [one.what for one in plan.inputs] == ["dust_rate", "horizon_height_deg"]
    assert plan.inputs[1].parameters == (-0.1, 0.0, 0.3)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("draws = 1000\n" + ONE, "draws is 1000; allowed: a power of two (such as 1024)"),
        (ONE + ONE, "holds dust_rate twice"),
        ("uncertain = []\n", "is empty"),
        (ONE.replace('"dust_rate"', "{ a = 1 }"), "[[uncertain]] #1 what is a table; allowed: "),
        (ONE.replace("dust_rate", "dust_rat"), "did you mean dust_rate?"),
        (ONE.replace("sd = 0.2", ""), "sd is missing (normal needs mean, sd)"),
        (ONE.replace("sd = 0.2", "sd = 0.0"), "sd is 0.0; allowed: more than 0"),
        (ONE + "low = 1.0\n", "low is given for normal; allowed: mean, sd"),
        (
            ONE.replace('"normal"', '"gauss"'),
            'distribution is "gauss"; allowed: normal, uniform, triangular, lognormal',
        ),
        (
            '[[uncertain]]\nwhat = "shield_removal"\ndistribution = "uniform"\nlow = 1.5\nhigh = 2.0\n',
            "puts the middle at 1.75; allowed: share of the dust that a cycle removes, 0 to 1",
        ),
        (
            '[[uncertain]]\nwhat = "dust_rate"\ndistribution = "triangular"\nlow = 2.0\nlikely = 1.0\nhigh = 3.0\n',
            "low < likely < high",
        ),
        (ONE.replace("sd = 0.2", f"sd = 1{'0' * 400}"), "sd is a huge number; allowed: more than 0"),
        (ONE.replace("mean = 1.0", "mean = -1e300"), "mean is -1e+300; allowed: -1000000000 to 1000000000"),
    ],
)
def test_a_wrong_uncertainty_file(tmp_path: Path, text: str, expected: str) -> None:
    assert any(expected in line for line in unsure(tmp_path, text))


def test_ranks_and_rates_of_failure(tmp_path: Path) -> None:
    text = PLAIN.replace("power_w = 400.0", "power_w = 400.0\nrank = 2")
    text += "[failures]\nunit = { every_days = 990.0, repair_days = 10.0 }\n"
    plan = read_load(written(tmp_path, text)).noun
    assert plan.loads[0].rank == 2
    ((name, rate),) = plan.failures
    assert (name, rate.down_fraction) == ("unit", pytest.approx(0.01))
    assert any(
        "rank is 0" in line for line in refusal(written(tmp_path, text.replace("rank = 2", "rank = 0")))
    )
    assert any(
        "repair_days is missing" in line
        for line in refusal(written(tmp_path, text.replace(", repair_days = 10.0", "")))
    )
