"""The network's steps against closed forms and an independent integration; steady states as bounds."""

import subprocess
import sys

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from yieldsim.base.constants import STEFAN_BOLTZMANN_W_M2_K4 as SIGMA
from yieldsim.base.thermal_model import FibreHeat, FunnelHeat, Insulation, JointHeat, Thermal
from yieldsim.thermal.network import Network
from yieldsim.thermal.unit_temperatures import unit_network, unit_temperatures

HOUR = 3600.0
THERMAL = Thermal(
    insulation=Insulation(
        layer_count=15,
        conductance_w_m2_k=0.05,
        seams_emittance=0.005,
        layer_spacing_mm=0.4,
        cover_absorptance=0.4,
        cover_emittance=0.63,
    ),
    fibre=FibreHeat(diameter_mm=34.0, heat_capacity_j_m_k=1100.0),
    funnel=FunnelHeat(area_m2=0.09, mouth_emittance=0.5, absorbed_fraction=0.06, heat_capacity_j_k=400.0),
    joint=JointHeat(area_m2=0.004, to_funnel_w_k=0.6, to_fibre_w_k=0.02, heat_capacity_j_k=60.0),
)
UNIT = unit_network(THERMAL, 0.0491, 30.0)


def lone_node(capacity=5000.0, emission=SIGMA * 0.02):
    none = np.zeros(0, dtype=np.int64)
    return Network(
        capacity_j_k=np.array([capacity]), emission_w_k4=np.array([emission]), first=none, second=none,
        radiative_w_k4=np.zeros(0), conductive_w_k=np.zeros(0),
    )  # fmt: skip


def seasons(rows=400, seed=3):
    """Heat with long days and nights on covers, bursts of light inside."""
    draws = np.random.default_rng(seed)
    heat = np.zeros((rows, len(UNIT.network.capacity_j_k)))
    day = np.sin(2.0 * np.pi * np.arange(rows) / 200.0) > 0.0
    for node, area in zip(UNIT.covers, UNIT.cover_areas_m2, strict=True):
        heat[:, node] = area * (2.0 + 190.0 * day)
    for node, most in ((UNIT.funnel, 3.0), (UNIT.joint, 1.5), (UNIT.fibre, 0.3)):
        heat[:, node] += most * day * (draws.random(rows) < 0.2)
    return heat


def shed_w(network, kelvin):
    """The same law written apart from the kernels."""
    out = network.emission_w_k4 * kelvin**4
    i, j = network.first, network.second
    flow = network.radiative_w_k4 * (kelvin[i] ** 4 - kelvin[j] ** 4)
    flow = flow + network.conductive_w_k * (kelvin[i] - kelvin[j])
    np.add.at(out, i, flow)
    np.add.at(out, j, -flow)
    return out


def test_a_node_that_only_radiates_cools_by_the_closed_form():
    # C dT/dt = -e T^4:  T = (T0^-3 + 3 e t / C)^(-1/3)
    node, steps = lone_node(), 200
    found = node.through_k(np.zeros((steps, 1)), HOUR, np.array([320.0]))[:, 0]
    t = HOUR * np.arange(1, steps + 1)
    exact = (320.0**-3 + 3.0 * node.emission_w_k4[0] * t / 5000.0) ** (-1.0 / 3.0)
    # what a step may be off by, once: errors of a node that settles do not add up
    np.testing.assert_allclose(found, exact, rtol=0.0, atol=0.05)


def test_a_plate_in_the_sun_settles_at_the_fourth_root():
    plate = lone_node(emission=SIGMA * 0.95 * 2.0)
    # (1361 * 0.95 / (2 * 0.95 s))^(1/4) = 331 K for both faces
    assert plate.steady_k(np.array([1361.0 * 0.95]))[0] == pytest.approx(
        (1361.0 / 2.0 / SIGMA) ** 0.25, rel=1e-10
    )


def test_a_unit_agrees_with_an_independent_integration():
    heat = seasons(120)
    network = UNIT.network
    start = network.steady_k(heat.mean(axis=0))
    ours = network.through_k(heat, HOUR, start)
    # massless nodes get a capacity of 1 mJ/K: they settle within seconds
    capacity = np.where(network.capacity_j_k > 0.0, network.capacity_j_k, 1e-3)
    state, theirs = start, []
    for row in heat:
        solved = solve_ivp(
            lambda t, kelvin, q=row: (q - shed_w(network, kelvin)) / capacity,
            (0.0, HOUR), state, method="Radau", rtol=1e-7, atol=1e-6,
        )  # fmt: skip
        state = solved.y[:, -1]
        theirs.append(state)
    massive = [UNIT.fibre, UNIT.joint, UNIT.funnel]
    # 0.1 K: two steps' tolerance, with time constants from minutes to days
    np.testing.assert_allclose(ours[:, massive], np.array(theirs)[:, massive], atol=0.1)
    np.testing.assert_allclose(ours[:, list(UNIT.covers)], np.array(theirs)[:, list(UNIT.covers)], atol=0.1)


def test_steady_states_balance_and_bound_the_run():
    heat = seasons()
    network = UNIT.network
    cold, hot = network.steady_k(heat.min(axis=0)), network.steady_k(heat.max(axis=0))
    for kelvin, given in ((cold, heat.min(axis=0)), (hot, heat.max(axis=0))):
        np.testing.assert_allclose(shed_w(network, kelvin), given, atol=1e-6)
    run = network.through_k(heat, HOUR, network.steady_k(heat.mean(axis=0)))
    # the correction may lead out by a step's tolerance
    assert (run >= cold - 0.05).all()
    assert (run <= hot + 0.05).all()


def test_sudden_cold_never_overshoots():
    # a pulse of a hundred watts ends: nothing falls below the dark's steady state, whatever the heat capacity
    for capacity in (1e-6, 1.0, 30.0, 1000.0):
        node = lone_node(capacity)
        heat = np.array([[100.0], [100.0], [0.1], [0.1], [0.1]])
        run = node.through_k(heat, HOUR, node.steady_k(heat[0]))[:, 0]
        assert (np.diff(run) <= 0.05).all()
        assert run.min() >= node.steady_k(heat[-1])[0] - 0.05


def test_more_heat_cools_nothing():
    heat = seasons(200)
    start = UNIT.network.steady_k(heat.mean(axis=0))
    before = UNIT.network.through_k(heat, HOUR, start)
    more = heat.copy()
    more[50:60, UNIT.joint] += 1.0
    assert (UNIT.network.through_k(more, HOUR, start) >= before - 0.05).all()


def test_rows_stand_for_their_middle_and_for_the_time_before():
    heat = np.repeat(seasons(400)[:1], 50, axis=0)
    told = unit_temperatures(UNIT, heat, HOUR, 10)
    for part, series in told.kelvin.items():
        np.testing.assert_allclose(series, told.cold_case_k[part], atol=1e-4)
        assert told.hot_case_k[part] == pytest.approx(told.cold_case_k[part], abs=1e-5)


INTERRUPTED = """
import sys
import subprocess
import sys

import numpy as np
from yieldsim.thermal.network import Network

class Interruption:
    def find_spec(self, name, path=None, target=None):
        if name.startswith("scipy.linalg"):
            raise KeyboardInterrupt

sys.meta_path.insert(0, Interruption())
none = np.zeros(0, dtype=np.int64)
node = Network(
    capacity_j_k=np.ones(1), emission_w_k4=np.array([1e-8]), first=none, second=none,
    radiative_w_k4=np.zeros(0), conductive_w_k=np.zeros(0),
)
print(node.steady_k(np.array([1.0]))[0])
"""


def test_nothing_is_loaded_inside_a_kernel():
    """Where an interruption while libraries load would end the process instead of the command."""
    run = subprocess.run([sys.executable, "-c", INTERRUPTED], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert float(run.stdout) == pytest.approx(100.0)
