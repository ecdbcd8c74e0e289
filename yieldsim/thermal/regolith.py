"""Temperature of level ground under a given Sun: heat conduction through layers of regolith.

    rho c dT/dt = d/dz (K dT/dz),   rho, Kc = deep - (deep - surface) exp(-z / H),   K = Kc [1 + X (T / 350 K)^3]
    e s T0^4 = (1 - A) E + K dT/dz at the surface,   K dT/dz = Qb at the bottom

The laws and the numbers of the Moon are those of P. O. Hayne et al., Global regolith thermophysical properties of the Moon from the
Diviner Lunar Radiometer Experiment, J. Geophys. Res. Planets 122, 2371-2400, 2017, appendix A (read in the documents of its authors'
published code); the albedo rises with the angle of incidence, A = A0 + 0.06 (i / 45 deg)^3 + 0.25 (i / 90 deg)^8 (S. J. Keihm, Icarus
60, 1984; A. R. Vasavada et al., J. Geophys. Res. 117, E00H18, 2012). Level and smooth: slopes that face the Sun, rocks and the light
of crater walls are not in it; at the poles they matter more than anything else here.

Finite volumes between a surface without mass and a bottom of given flux, stepped backwards in time, the conductivity and heat
capacity those of the step before. The ground's past is played by repeating the run: after each round the mean flux through every layer
tells by how much its mean temperature is off, as in a steady cycle it is the flux from below everywhere.
"""

from __future__ import annotations

import math

import numpy as np

from yieldsim.base.constants import STEFAN_BOLTZMANN_W_M2_K4
from yieldsim.base.numerics.jit import njit
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.thermal_model import Ground

SURFACE_DENSITY, DEEP_DENSITY = 1100.0, 1800.0
"""kg/m3."""
SURFACE_CONDUCTIVITY, DEEP_CONDUCTIVITY = 7.4e-4, 3.4e-3
"""W/(m K)."""
RADIATIVE = 2.7
RADIATIVE_K = 350.0
HEAT_CAPACITY = (-3.6125, 2.7431, 2.3616e-3, -1.2340e-5, 8.9093e-9)
"""J/(kg K), coefficients of 1, T, T^2, T^3, T^4."""
HEAT_FLOW_W_M2 = 0.018
LEAST_K = 20.0
"""Polynomials of heat capacity are read no lower."""
LAYERS_A_DEPTH, GROWTH, DEPTHS = 10, 0.2, 20.0
"""Layers in the first skin depth, by how much each is thicker than the one above, skin depths in all."""
SEASONAL_DEPTH_M = 0.8
"""At least so deep: five times what a year's warmth reaches."""
STEPS_A_DAY = 400
ROUNDS = 6


def albedo_fraction(reflectance: float, sun_elevation_deg: FloatArray) -> FloatArray:
    """Share of sunlight that level ground reflects, by the Sun's height."""
    incidence = np.clip(90.0 - sun_elevation_deg, 0.0, 90.0)
    return np.minimum(reflectance + 0.06 * (incidence / 45.0) ** 3 + 0.25 * (incidence / 90.0) ** 8, 1.0)


def surface_temperature_k(
    ground: Ground, absorbed_w_m2: FloatArray, row_s: float, solar_day_s: float, repeated_rows: int
) -> FloatArray:
    """Mean temperature of the surface in each row, (rows,).

    absorbed_w_m2    (rows,)  sunlight that the surface takes, a mean over each row
    repeated_rows    rows at the start that stand for the time before: whole cycles of day and season, or as near as there are
    """
    skin_m = math.sqrt(SURFACE_CONDUCTIVITY / (SURFACE_DENSITY * 600.0) * solar_day_s / math.pi)
    thickness_m = _layers_m(skin_m)
    steps = max(1, math.ceil(row_s / (solar_day_s / STEPS_A_DAY)))
    past = np.ascontiguousarray(absorbed_w_m2[:repeated_rows])
    mean = float(past.mean()) + HEAT_FLOW_W_M2
    # between the fourth root of the mean flux, too warm for a slowly turning world, and its nights
    start = 0.85 * (mean / (ground.emittance * STEFAN_BOLTZMANN_W_M2_K4)) ** 0.25
    kelvin = np.full(len(thickness_m) + 1, max(start, LEAST_K))
    law = (ground.emittance * STEFAN_BOLTZMANN_W_M2_K4, ground.scale_depth_m)
    for _ in range(ROUNDS):
        kelvin, _, flux, conductance = _played(kelvin, past, thickness_m, row_s, steps, *law)
        # upward flux of HEAT_FLOW in every layer: what is missing is a slope of the mean temperature
        kelvin = np.maximum(
            kelvin + np.append(0.0, np.cumsum((HEAT_FLOW_W_M2 - flux) / conductance)), LEAST_K
        )
    return _played(kelvin, absorbed_w_m2, thickness_m, row_s, steps, *law)[1]


def _layers_m(skin_m: float) -> FloatArray:
    """Thicknesses of the layers from the top, (layers,)."""
    first, bottom = skin_m / LAYERS_A_DEPTH, max(DEPTHS * skin_m, SEASONAL_DEPTH_M)
    count = math.ceil(math.log1p(GROWTH * bottom / first) / math.log1p(GROWTH))
    return np.asarray(first * (1.0 + GROWTH) ** np.arange(count))


@njit(cache=True)
def _played(
    start_k: FloatArray,
    absorbed_w_m2: FloatArray,
    thickness_m: FloatArray,
    row_s: float,
    steps: int,
    emission: float,
    scale_depth_m: float,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """The last profile, the surface's mean in each row, mean upward flux and conductance between nodes, (layers,).

    Nodes: the surface, then the middle of each layer.
    """
    layers = thickness_m.shape[0]
    now = start_k.copy()
    surface = np.empty(absorbed_w_m2.shape[0])
    flux, mean_link = np.zeros(layers), np.zeros(layers)
    density, solid = np.empty(layers), np.empty(layers)
    top = 0.0
    for k in range(layers):
        middle = top + 0.5 * thickness_m[k]
        density[k] = DEEP_DENSITY - (DEEP_DENSITY - SURFACE_DENSITY) * math.exp(-middle / scale_depth_m)
        solid[k] = DEEP_CONDUCTIVITY - (DEEP_CONDUCTIVITY - SURFACE_CONDUCTIVITY) * math.exp(
            -middle / scale_depth_m
        )
        top += thickness_m[k]
    step_s = row_s / steps
    link, stored = np.empty(layers), np.empty(layers)
    lower, upper, diagonal, right = (
        np.empty(layers + 1),
        np.empty(layers + 1),
        np.empty(layers + 1),
        np.empty(layers + 1),
    )
    for row in range(absorbed_w_m2.shape[0]):
        total = 0.0
        for _ in range(steps):
            for k in range(layers):
                warm = max(now[k + 1], LEAST_K)
                heat = HEAT_CAPACITY[0] + warm * (
                    HEAT_CAPACITY[1]
                    + warm * (HEAT_CAPACITY[2] + warm * (HEAT_CAPACITY[3] + warm * HEAT_CAPACITY[4]))
                )
                stored[k] = density[k] * heat * thickness_m[k] / step_s
            link[0] = _conductivity(solid[0], 0.5 * (now[0] + now[1])) / (0.5 * thickness_m[0])
            for k in range(1, layers):
                between = 0.5 * (now[k] + now[k + 1])
                link[k] = 1.0 / (
                    0.5 * thickness_m[k - 1] / _conductivity(solid[k - 1], between)
                    + 0.5 * thickness_m[k] / _conductivity(solid[k], between)
                )
            guess = now[0]
            for _ in range(30):
                # the surface: e s T^4 + link (T - T1) = q, its fourth power by its tangent
                diagonal[0] = 4.0 * emission * guess**3 + link[0]
                upper[0] = -link[0]
                right[0] = absorbed_w_m2[row] + 3.0 * emission * guess**4
                for k in range(layers):
                    below = link[k + 1] if k + 1 < layers else 0.0
                    lower[k + 1] = -link[k]
                    diagonal[k + 1] = stored[k] + link[k] + below
                    upper[k + 1] = -below
                    right[k + 1] = stored[k] * now[k + 1]
                right[layers] += HEAT_FLOW_W_M2
                for k in range(1, layers + 1):
                    factor = lower[k] / diagonal[k - 1]
                    diagonal[k] -= factor * upper[k - 1]
                    right[k] -= factor * right[k - 1]
                for k in range(layers, -1, -1):
                    if k < layers:
                        right[k] -= upper[k] * right[k + 1]
                    right[k] /= diagonal[k]
                found = max(right[0], 0.5 * guess)
                done = abs(found - guess) < 1e-6
                guess = found
                if done:
                    break
            for k in range(layers + 1):
                now[k] = right[k]
            total += now[0]
            for k in range(layers):
                flux[k] += link[k] * (now[k + 1] - now[k])
                mean_link[k] += link[k]
        surface[row] = total / steps
    count = absorbed_w_m2.shape[0] * steps
    return now, surface, flux / count, mean_link / count


@njit(cache=True, inline="always")
def _conductivity(solid: float, kelvin: float) -> float:
    return solid * (1.0 + RADIATIVE * (kelvin / RADIATIVE_K) ** 3)
