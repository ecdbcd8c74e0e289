"""What the keys of wear and heat mean: dust by size, [ground] of a site, [thermal] and [radiation] of a collector."""

from __future__ import annotations

GROUND: dict[str, dict[str, str]] = {
    "GroundTableOfSite": {
        "temperature_k": "Temperature of the ground, one number for all times, K",
        "table": "CSV file with temperature_k by local_true_solar_time_hours",
        "model": "regolith: layers of lunar soil under the site's own Sun",
        "reflectance": "Share of sunlight that the ground reflects, the Sun overhead",
        "emittance": "Emittance of the ground",
        "scale_depth_m": "Of regolith: depth over which it grows dense, metres",
        "sky_temperature_k": "Temperature of the sky, K",
    }
}
HEAT: dict[str, dict[str, str]] = {
    "ThermalTable": {
        "insulation": "Radiation shields and their outer cover, the same around every part",
        "fibre": "The cable inside its insulation",
        "funnel": "The funnel: insulated back, open mouth",
        "joint": "Where funnel and fibre meet: ferrule, glue, gel",
        "sunlit_fraction": "What a cover shows to the Sun over its whole surface; 0.318: a cable square to it",
        "ground_view": "Share of what a cover sees that is ground",
    },
    "InsulationTable": {
        "layer_count": "Radiation shields between a part and its cover",
        "inner_emittance": "Emittance of each shield's face towards the part",
        "outer_emittance": "Emittance of each shield's face towards the cover",
        "cover_inner_emittance": "Emittance of the cover's face towards the shields; inner_emittance when left out",
        "conductance_w_m2_k": "Conductance between neighbouring layers, by spacers, W/(m2 K)",
        "layer_spacing_mm": "Distance from layer to layer, mm: shields of a fibre grow outwards",
        "seams_emittance": "Effective emittance that seams, cuts and supports add",
        "cover_absorptance": "Share of sunlight that the cover's outer face takes",
        "cover_emittance": "Emittance of the cover's outer face",
        "cover_lowest_k": "Lowest temperature that the cover bears, K",
        "cover_highest_k": "Highest temperature that the cover bears, K",
    },
    "FibreHeatTable": {
        "diameter_mm": "Width of the cable over its jacket, mm",
        "emittance": "Emittance of the jacket",
        "heat_capacity_j_m_k": "Heat capacity of a metre of cable, J/(m K)",
        "lowest_k": "Lowest temperature that the fibre bears, K",
        "highest_k": "Highest temperature that the fibre bears, K",
    },
    "FunnelHeatTable": {
        "area_m2": "Area of the funnel's back, under the insulation, m2",
        "emittance": "Emittance of the funnel's back",
        "mouth_area_m2": "Area of the mouth, m2; the aperture's when left out",
        "mouth_emittance": "Effective emittance of the mouth towards sky and ground, the lens before it counted in",
        "absorbed_fraction": "Share of the light through the aperture that the funnel turns to heat, as trace tells",
        "heat_capacity_j_k": "Heat capacity of a unit's funnel, J/K",
        "lowest_k": "Lowest temperature that the funnel bears, K",
        "highest_k": "Highest temperature that the funnel bears, K",
    },
    "JointHeatTable": {
        "area_m2": "Area of the ferrule under the insulation, m2",
        "emittance": "Emittance of the ferrule",
        "absorbed_fraction": "Share of what packing and coupling lose that turns to heat in the joint",
        "to_funnel_w_k": "Conductance to the funnel, W/K",
        "to_fibre_w_k": "Conductance to the fibre, W/K",
        "heat_capacity_j_k": "Heat capacity of the joint, J/K",
        "lowest_k": "Lowest temperature that the joint bears, K",
        "highest_k": "Highest temperature that the joint bears, K",
        "gel_lowest_k": "Lowest temperature that an index-matching gel bears, K",
        "gel_highest_k": "Highest temperature that an index-matching gel bears, K",
    },
}
REMOVAL = {
    "lowest_removal": "Least that the removal may be; budget --uncertain draws it between the two",
    "highest_removal": "Most that the removal may be",
    "grains": "Removal by grain size, in place of removal",
}
GRAINS = {
    "table": "CSV file with removal_fraction by grain_diameter_um",
    "median_um": "Median diameter by count of the grains that settle, um",
    "geometric_sd": "Geometric standard deviation of their diameters, 1 or more",
}
RADIATION = {
    "dose_gy_per_year": "Dose that the fibre takes a year, Gy",
    "start_dose_gy": "Dose that the fibre has had before the run, Gy",
    "fibre_db_per_km": "Attenuation that the first gray adds to the fibre's, dB/km",
    "fibre_exponent": "Power of the dose with which it grows",
    "fibre_saturation_db_per_km": "Added attenuation that it tends to, dB/km; without bound when left out",
    "fibre_recovered_fraction": "Share of the added attenuation that heals",
    "lens_dose_gy_per_year": "Dose that the lens takes a year, Gy; the fibre's when left out",
    "lens_start_dose_gy": "Dose that the lens has had before the run, Gy",
    "lens_loss_per_kgy": "Share of the lens's transmittance lost with each kGy, compounding",
}
WEAR: dict[str, dict[str, str]] = {**HEAT, "GrainsTable": GRAINS, "RadiationTable": RADIATION}
"""Tables of a collector file."""
