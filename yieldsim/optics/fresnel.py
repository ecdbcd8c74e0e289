"""Refraction and reflection at one interface: Snell, Fresnel, thin coatings.

Polarisation: sunlight is unpolarised, and each interface of the tracer takes the mean of the s and p
reflectances. Carrying the polarisation from face to face would add delta1 delta2 / 4 to the transmittance
of two faces, delta = Tp - Ts of each, when both planes of incidence agree (less when they don't): 0.0017
for two faces met at 45 degrees at index 1.5, 0.0003 at 30 degrees, always on the safe side (too little
light). That is below what the traced curve is asked to, and spares two rotations per interface; a test
derives the numbers.
"""

from __future__ import annotations

import cmath
import math

from yieldsim.base.numerics.jit import njit

BARE, STATED, LAYER = 0, 1, 2
"""Kinds of face: bare, a stated reflectance at normal incidence, a single layer."""


@njit(cache=True)
def bare_reflectance(cos_i: float, n1: float, n2: float) -> float:
    """Unpolarised reflectance of a bare interface from index n1 into n2; 1 beyond the critical angle.

    R = (rs^2 + rp^2) / 2,  rs = (n1 ci - n2 ct) / (n1 ci + n2 ct),  rp = (n2 ci - n1 ct) / (n2 ci + n1 ct)
    Source: M. Born, E. Wolf, Principles of Optics, section 1.5.2 (from memory); values in the tests.
    """
    sin2_t = (n1 / n2) * (n1 / n2) * (1.0 - cos_i * cos_i)
    if sin2_t >= 1.0:
        return 1.0
    cos_t = math.sqrt(1.0 - sin2_t)
    rs = (n1 * cos_i - n2 * cos_t) / (n1 * cos_i + n2 * cos_t)
    rp = (n2 * cos_i - n1 * cos_t) / (n2 * cos_i + n1 * cos_t)
    return 0.5 * (rs * rs + rp * rp)


@njit(cache=True)
def layer_reflectance(
    cos_i: float, n1: float, layer: float, n2: float, thickness_in_wavelengths: float
) -> float:
    """Unpolarised reflectance of one thin non-absorbing layer between n1 and n2 (coherent).

    r = (r01 + r12 e^{2 i beta}) / (1 + r01 r12 e^{2 i beta}),  beta = 2 pi layer (d / lambda)
    cos(theta_layer)
    thickness_in_wavelengths   d / lambda (vacuum wavelength)
    Written out in real numbers: |r|^2 = (a^2 + b^2 + 2 a b cos 2 beta) / (1 + a^2 b^2 + 2 a b cos 2 beta).
    Source: Born & Wolf, section 1.6.4, eq. 55 (from memory); tests compare with the `tmm` package.
    """
    sin_i = math.sqrt(max(0.0, 1.0 - cos_i * cos_i))
    if n1 * sin_i >= n2:
        return 1.0
    c2 = math.sqrt(1.0 - (n1 * sin_i / n2) ** 2)
    c1_squared = 1.0 - (n1 * sin_i / layer) ** 2
    if c1_squared <= 0.0:
        return _evanescent_layer(cos_i, n1, layer, n2, thickness_in_wavelengths, c1_squared, c2)
    c1 = math.sqrt(c1_squared)
    twice = 2.0 * math.cos(4.0 * math.pi * layer * thickness_in_wavelengths * c1)
    s01 = (n1 * cos_i - layer * c1) / (n1 * cos_i + layer * c1)
    s12 = (layer * c1 - n2 * c2) / (layer * c1 + n2 * c2)
    p01 = (layer * cos_i - n1 * c1) / (layer * cos_i + n1 * c1)
    p12 = (n2 * c1 - layer * c2) / (n2 * c1 + layer * c2)
    s, p = s01 * s12, p01 * p12
    rs = (s01 * s01 + s12 * s12 + s * twice) / (1.0 + s * s + s * twice)
    rp = (p01 * p01 + p12 * p12 + p * twice) / (1.0 + p * p + p * twice)
    return 0.5 * (rs + rp)


@njit(cache=True)
def _evanescent_layer(
    cos_i: float,
    n1: float,
    layer: float,
    n2: float,
    thickness_in_wavelengths: float,
    c1_squared: float,
    c2: float,
) -> float:
    """The same beyond the layer's own critical angle, where its cosine is imaginary and light tunnels
    through."""
    c0, c1 = complex(cos_i), complex(0.0, math.sqrt(-c1_squared))
    phase = cmath.exp(4.0j * math.pi * layer * thickness_in_wavelengths * c1)
    s01 = (n1 * c0 - layer * c1) / (n1 * c0 + layer * c1)
    s12 = (layer * c1 - n2 * c2) / (layer * c1 + n2 * c2)
    p01 = (layer * c0 - n1 * c1) / (layer * c0 + n1 * c1)
    p12 = (n2 * c1 - layer * c2) / (n2 * c1 + layer * c2)
    rs = (s01 + s12 * phase) / (1.0 + s01 * s12 * phase)
    rp = (p01 + p12 * phase) / (1.0 + p01 * p12 * phase)
    return 0.5 * (rs.real**2 + rs.imag**2 + rp.real**2 + rp.imag**2)


@njit(cache=True)
def face_reflectance(
    cos_i: float, n1: float, n2: float, kind: int, first: float, second: float, wavelength_nm: float
) -> float:
    """Unpolarised reflectance of a face of any kind.

    BARE     Fresnel
    STATED   `first` is the reflectance at normal incidence; it rises to 1 at grazing incidence with the
    bare face:
             R = R0 + (F - F0) (1 - R0) / (1 - F0)
    LAYER    `first` is the layer's index, `second` its thickness in nm
    """
    if kind == 2:
        return layer_reflectance(cos_i, n1, first, n2, second / wavelength_nm)
    bare = bare_reflectance(cos_i, n1, n2)
    if kind == 0 or bare >= 1.0:
        return bare
    head_on = ((n1 - n2) / (n1 + n2)) ** 2
    return first + (bare - head_on) * (1.0 - first) / (1.0 - head_on)


@njit(cache=True)
def refract(
    dx: float, dy: float, dz: float, nx: float, ny: float, nz: float, cos_i: float, ratio: float
) -> tuple[float, float, float]:
    """Direction after refraction; the normal points along the travel, cos_i = d . n > 0, ratio = n1 / n2.

    d' = ratio d + (cos_t - ratio cos_i) n
    """
    cos_t = math.sqrt(max(0.0, 1.0 - ratio * ratio * (1.0 - cos_i * cos_i)))
    k = cos_t - ratio * cos_i
    return ratio * dx + k * nx, ratio * dy + k * ny, ratio * dz + k * nz
