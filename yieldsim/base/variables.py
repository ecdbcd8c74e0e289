"""Every variable that may travel in a Dataset: unit, long name, CF standard name, allowed range, how it is sampled.

CF names are from the CF standard-name table. `point` quantities hold at the middle of the interval, `mean`
ones are averages over it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

INF = float("inf")


@dataclass(frozen=True, slots=True)
class Word:
    """One row of the vocabulary."""

    unit: str
    long_name: str
    sampled: Literal["point", "mean", "sum", "none"]
    low: float = -INF
    high: float = INF
    standard_name: str = ""


CONVENTIONS = "CF-1.11"
"""What every NetCDF file of this package keeps to: the Climate and Forecast metadata conventions."""

VOCABULARY: dict[str, Word] = {
    # sky
    "solar_azimuth_deg": Word(
        "degree", "apparent solar azimuth, clockwise from north", "point", 0.0, 360.0, "solar_azimuth_angle"
    ),
    "solar_elevation_deg": Word(
        "degree",
        "apparent solar elevation above the local horizontal",
        "point",
        -90.0,
        90.0,
        "solar_elevation_angle",
    ),
    "sun_distance_au": Word("astronomical_unit", "distance from the site to the Sun", "point", 0.0, INF),
    "sun_angular_radius_deg": Word("degree", "angular radius of the Sun's disc", "point", 0.0, 90.0),
    "solar_longitude_deg": Word(
        "degree", "areocentric or equivalent solar longitude Ls (season angle)", "point", 0.0, 360.0
    ),
    "local_true_solar_time_hours": Word(
        "hour", "local true solar time, 24 hours to the solar day", "point", 0.0, 24.0
    ),
    "occulter_east_offset_deg": Word(
        "degree", "offset of the occulting body from the Sun's centre along the horizontal", "point"
    ),
    "occulter_up_offset_deg": Word(
        "degree", "offset of the occulting body from the Sun's centre along the vertical", "point"
    ),
    "occulter_angular_radius_deg": Word(
        "degree", "angular radius of the occulting body, 0 where none is near", "point", 0.0, 90.0
    ),
    "optical_depth": Word("1", "vertical optical depth", "mean", 0.0, INF),
    "air_mass": Word("1", "path through the atmosphere over the vertical path", "mean", 0.0, INF),
    "beam_transmittance": Word(
        "1", "share of the direct beam that the atmosphere lets through", "mean", 0.0, 1.0
    ),
    # ground
    "open_horizon_fraction": Word(
        "1", "visible share of the Sun's disc over the bare body, no eclipse, no terrain", "mean", 0.0, 1.0
    ),
    "uneclipsed_fraction": Word(
        "1", "visible share of the Sun's disc over the bare body with eclipses, no terrain", "mean", 0.0, 1.0
    ),
    "solar_irradiance_w_m2": Word(
        "W m-2",
        "solar irradiance above any atmosphere, normal to the ray",
        "mean",
        0.0,
        INF,
        "solar_irradiance",
    ),
    "disc_visible_fraction": Word(
        "1", "share of the Sun's light that clears both the mask and an eclipsing body", "mean", 0.0, 1.0
    ),
    "beam_irradiance_w_m2": Word(
        "W m-2", "direct irradiance on a plane facing the Sun, after air, mask and eclipse", "mean", 0.0, INF
    ),
    # energy, by mount
    "incidence_deg": Word(
        "degree", "angle between the Sun and the aperture's normal", "point", 0.0, 180.0, "angle_of_incidence"
    ),
    "transverse_deg": Word(
        "degree", "incidence angle projected on the transverse plane", "point", -180.0, 180.0
    ),
    "longitudinal_deg": Word(
        "degree", "incidence angle projected on the longitudinal plane", "point", -180.0, 180.0
    ),
    "acceptance_fraction": Word(
        "1", "share of the light on the aperture that enters the fibre's cone", "mean", 0.0, 1.0
    ),
    "clean_fraction": Word(
        "1", "share of the light that the dust on the aperture lets through", "mean", 0.0, 1.0
    ),
    "dust_load_days": Word(
        "day", "dust load of a level aperture, days of full deposition uncleaned", "mean", 0.0, INF
    ),
    "fibre_transmittance": Word(
        "1", "share of the light in the fibre's cone that leaves its far end", "mean", 0.0, 1.0
    ),
    "fibre_length_transmittance": Word(
        "1",
        "share of the light in the fibre's cone that its length leaves, new, by the colour of its direction",
        "mean",
        0.0,
        1.0,
    ),
    "mount_fibre_transmittance": Word(
        "1",
        "share of the light in the fibre's cone of a mount's units that leaves its far end, by its colour",
        "mean",
        0.0,
        1.0,
    ),
    "lens_transmittance": Word("1", "share of the light that the dose leaves in the lens", "mean", 0.0, 1.0),
    "stage_power_w": Word("W", "power left after each stage of the chain, all units", "mean", 0.0, INF),
    "mount_delivered_power_w": Word(
        "W", "power delivered at the fibre's far end by the units of a mount", "mean", 0.0, INF
    ),
    "mount_light_left_fraction": Word(
        "1",
        "share of a new unit's light that age leaves those of a mount as the run begins",
        "none",
        0.0,
        1.0,
    ),
    "delivered_power_w": Word("W", "power delivered at the fibre's far end, all units", "mean", 0.0, INF),
    "sun_following_power_w": Word(
        "W",
        "what an ideal Sun-following aperture of the same area and losses would deliver",
        "mean",
        0.0,
        INF,
    ),
    "delivering_fraction": Word(
        "1",
        "share of the interval during which light is delivered from any part of the Sun's disc, its limb included, by fine steps",
        "mean",
        0.0,
        1.0,
    ),
    "shield_power_w": Word("W", "electric power drawn by the dust shields, all units", "mean", 0.0, INF),
    # heat, for collectors that state what temperatures follow from
    "ground_temperature_k": Word("K", "temperature of the ground's surface", "mean", 0.0, 5000.0),
    "cover_temperature_k": Word("K", "temperature of the fibre's outer cover", "point", 0.0, 5000.0),
    "fibre_temperature_k": Word(
        "K", "temperature of the fibre's first metre, under its insulation", "point", 0.0, 5000.0
    ),
    "joint_temperature_k": Word("K", "temperature of the joint of funnel and fibre", "point", 0.0, 5000.0),
    "funnel_temperature_k": Word("K", "temperature of the funnel", "point", 0.0, 5000.0),
    # habitat, by load
    "asked_power_w": Word("W", "power that a load asks for where it is used", "mean", 0.0, INF),
    "served_directly_power_w": Word(
        "W", "power served to a load straight from delivered light", "mean", 0.0, INF
    ),
    "served_from_storage_power_w": Word("W", "power served to a load out of the store", "mean", 0.0, INF),
    "unserved_power_w": Word(
        "W", "power that a load did not get; a deferrable load's when its time was up", "mean", 0.0, INF
    ),
    "used_light_power_w": Word("W", "delivered light used by loads straight away", "mean", 0.0, INF),
    "charging_light_power_w": Word(
        "W", "delivered light that goes into charging the store", "mean", 0.0, INF
    ),
    "curtailed_light_power_w": Word("W", "delivered light that nobody takes", "mean", 0.0, INF),
    "storage_output_power_w": Word("W", "power out of the store, after discharging loss", "mean", 0.0, INF),
    "storage_loss_power_w": Word(
        "W", "standing loss of the store, and what a fading store can't hold", "mean"
    ),
    "stored_energy_kwh": Word("kWh", "energy in the store at the end of the interval", "none", 0.0, INF),
    "storage_capacity_kwh": Word("kWh", "capacity of the store", "none", 0.0, INF),
    # draws of uncertain inputs
    "drawn_delivered_kwh": Word("kWh", "energy delivered over the run in a draw", "none", 0.0, INF),
    "drawn_longest_gap_hours": Word(
        "hour", "longest stretch of rows without light in a draw", "none", 0.0, INF
    ),
    "drawn_served_fraction": Word(
        "1", "share of the essential need that is served in a draw", "none", 0.0, 1.0
    ),
    "drawn_unserved_kwh": Word("kWh", "what the essential loads lack in a draw", "none", 0.0, INF),
    "drawn_longest_outage_hours": Word(
        "hour", "longest outage of the essential loads in a draw", "none", 0.0, INF
    ),
    # surveys, by cell
    "elevation_m": Word("m", "ground above the body's reference ellipsoid", "none"),
    "lit_fraction": Word(
        "1", "share of the time lit, weighted by the visible share of the Sun's disc", "none", 0.0, 1.0
    ),
    "any_light_fraction": Word(
        "1", "share of the time with any part of the Sun's disc in sight", "none", 0.0, 1.0
    ),
    "sun_following_kwh_m2": Word(
        "kWh m-2",
        "beam energy on an aperture that follows the Sun, for a mean year of the body",
        "none",
        0.0,
        INF,
    ),
    "delivered_kwh": Word(
        "kWh", "energy delivered by the collector, for a mean year of the body", "none", 0.0, INF
    ),
    "clear_lit_fraction": Word("1", "lit_fraction with unknown ground hiding nothing", "none", 0.0, 1.0),
    "clear_sun_following_kwh_m2": Word(
        "kWh m-2", "sun_following_kwh_m2 with unknown ground hiding nothing", "none", 0.0, INF
    ),
    "clear_delivered_kwh": Word("kWh", "delivered_kwh with unknown ground hiding nothing", "none", 0.0, INF),
    "best_azimuth_deg": Word(
        "degree", "azimuth of the collector's first mount that delivers most", "none", 0.0, 360.0
    ),
    "longest_dark_hours": Word("hour", "longest time without any part of the Sun's disc", "none", 0.0, INF),
    "longest_dark_cut_fraction": Word(
        "1", "1 where an end of the span cuts the longest dark, which lasts longer then", "none", 0.0, 1.0
    ),
    "never_lit_fraction": Word(
        "1",
        "1 where no part of the Sun's disc is in sight throughout the span: permanent shadow, in a span of 18.6 years",
        "none",
        0.0,
        1.0,
    ),
    "earth_visible_fraction": Word(
        "1", "share of the time that the Earth's centre stands above the skyline", "none", 0.0, 1.0
    ),
}
