"""Lenses and funnels made for one comparison, and the light they deliver."""

from __future__ import annotations

from typing import Any

import numpy as np

from yieldsim.base.prescription_model import Band, FibreFace, Funnel, Lens, OpticalMaterial, Prescription
from yieldsim.optics.raytrace.scene import Scene, build_scene

NORMAL = np.array([0.0, 0.0, 1.0])


def glass(n: float, absorption_per_m: float = 0.0) -> OpticalMaterial:
    """A glass without colour."""
    return OpticalMaterial(
        name="test glass",
        wavelength_nm=np.array([200.0, 5000.0]),
        refractive_index=np.array([n, n]),
        absorption_per_m=np.array([absorption_per_m] * 2),
    )


def in_band(scene: Scene, share: np.ndarray) -> np.ndarray:
    """Shares of the light within the traced band."""
    return share / float(scene.parts.station[0]["band_share"])


def lens_scene(target_m: float, face_width_m: float = 1.0, **lens: Any) -> Scene:
    """A lens and, at a distance behind it, a wide face that takes everything."""
    fibre = FibreFace(
        section="round",
        width_m=face_width_m,
        length_m=face_width_m,
        numerical_aperture=1.0,
        distance_m=target_m,
    )
    band = Band(shortest_nm=500.0, longest_nm=600.0)
    return build_scene(Prescription(name="lens", lens=Lens(**lens), fibre=fibre, band=band))


def bare_funnel(
    shape: str, section: str, mouth: float, outlet: float, length: float, reflectance: float = 1.0
) -> Scene:
    """A hollow mirror alone, open to the sky; the fibre behind it takes everything."""
    funnel = Funnel(
        kind="mirror",
        shape=shape,  # type: ignore[arg-type]
        section=section,  # type: ignore[arg-type]
        mouth_width_m=mouth,
        outlet_width_m=outlet,
        length_m=length,
        trough_length_m=1.0 if section == "trough" else None,
        reflectance=reflectance,
    )
    is_round = section == "round"
    fibre = FibreFace(
        section="round" if is_round else "rectangle",
        width_m=outlet * 1.000001,
        length_m=1.000001 if section == "trough" else outlet * 1.000001,
        numerical_aperture=1.0,
    )
    return build_scene(Prescription(name="funnel", lens=Lens(kind="none"), funnel=funnel, fibre=fibre))
