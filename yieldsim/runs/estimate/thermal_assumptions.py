"""What is taken as given of heat, as words of the assumptions: field, meaning, unit."""

from __future__ import annotations

Words = tuple[tuple[str, str, str], ...]
LIMITS: Words = (("lowest_k", "lowest it bears", "K"), ("highest_k", "highest it bears", "K"))

GROUND: Words = (
    ("reflectance", "reflectance, Sun overhead", ""),
    ("emittance", "emittance", ""),
    ("sky_temperature_k", "temperature of the sky", "K"),
)
AROUND: Words = (
    ("sunlit_fraction", "share of a cover that the Sun sees", ""),
    ("ground_view", "share of its view that is ground", ""),
)
PARTS: dict[str, Words] = {
    "insulation": (
        ("layer_count", "radiation shields", ""),
        ("inner_emittance", "emittance of their inner faces", ""),
        ("outer_emittance", "emittance of their outer faces", ""),
        ("cover_inner_emittance", "emittance of the cover's inner face", ""),
        ("conductance_w_m2_k", "conductance from layer to layer", "W/(m2 K)"),
        ("layer_spacing_mm", "distance from layer to layer", "mm"),
        ("seams_emittance", "effective emittance of seams", ""),
        ("cover_absorptance", "cover's absorptance of sunlight", ""),
        ("cover_emittance", "cover's emittance", ""),
    ),
    "fibre": (
        ("diameter_mm", "width of the cable", "mm"),
        ("emittance", "emittance of the jacket", ""),
        ("heat_capacity_j_m_k", "heat capacity", "J/(m K)"),
        *LIMITS,
    ),
    "funnel": (
        ("area_m2", "insulated area", "m2"),
        ("emittance", "emittance of the back", ""),
        ("mouth_area_m2", "area of the mouth, else the aperture's", "m2"),
        ("mouth_emittance", "effective emittance of the mouth", ""),
        ("absorbed_fraction", "light of the aperture that it absorbs", ""),
        ("heat_capacity_j_k", "heat capacity", "J/K"),
        *LIMITS,
    ),
    "joint": (
        ("area_m2", "insulated area", "m2"),
        ("emittance", "emittance", ""),
        ("absorbed_fraction", "lost light that it absorbs", ""),
        ("to_funnel_w_k", "conductance to the funnel", "W/K"),
        ("to_fibre_w_k", "conductance to the fibre", "W/K"),
        ("heat_capacity_j_k", "heat capacity", "J/K"),
        *LIMITS,
    ),
}
