"""The figures of a trace that are more than its curve: half-widths, flux on the fibre's face, heat, the
summary."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from yieldsim.base.constants import SOLAR_IRRADIANCE_1AU_W_M2
from yieldsim.base.model import Acceptance, Notes, Source
from yieldsim.base.numerics.interpolation import falls_to_deg
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.prescription_model import Heat
from yieldsim.base.results.attached import row_of
from yieldsim.base.results.optics import FluxResult, HalfWidths, HeatResult, SpotResult, TraceResult
from yieldsim.base.sun_disc import angular_radius_deg
from yieldsim.optics.acceptance import half_widths_deg
from yieldsim.optics.etendue import largest_concentration, projected_acceptance_sr
from yieldsim.optics.etendue_ledger import EtendueLedger
from yieldsim.optics.flux import Peak, focus_beside_mouth, mouth_half_m, peak_flux
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.acceptance_trace import Curve, Grid, Ways, table_of
from yieldsim.optics.raytrace.scene import Scene
from yieldsim.optics.raytrace.tracer import SHIFTS, Seen, directions_xyz, record, trace
from yieldsim.optics.steady_temperatures import heat_balance
from yieldsim.report.layout.number_format import plain

if TYPE_CHECKING:
    from yieldsim.base.prescription_model import Prescription

SEEN_RAYS = 1 << 19
MAP_CELLS = 36
OUTSIDE_WORTH_A_NOTE = 0.02
SAFE_BESIDE_W_CM2 = 0.5
"""Beside the mouth: an insulated surface reaches 545 K with it, hotter than epoxies and polymers bear (common
practice, no source)."""
SPOT_SHARES = (50, 90, 95)
"""Percentages of the light in the mouth's plane whose size the summary tells."""
NORMAL = np.array([0.0, 0.0, 1.0])

CAUTION_FLUX = (
    "Concentrated sunlight at the fibre's end blinds, burns and ignites: never look into a lit fibre or along the beam of a "
    "lens, cover the aperture while working behind it, keep flammable material clear, provide shutters and interlocks."
)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FluxMap:
    """Light on the fibre's face at normal incidence.

    x_edges_mm, y_edges_mm   (cells + 1,)
    flux_w_cm2               (cells, cells), x first
    """

    sun_distance_au: float
    aperture_power_w: float
    x_edges_mm: FloatArray
    y_edges_mm: FloatArray
    flux_w_cm2: FloatArray
    mean_w_cm2: float
    peak: Peak
    mouth_peak: Peak
    """In the plane of the funnel's mouth."""
    face_w: float
    """On the face at any angle; `delivered_w` lies in the fibre's cone."""
    delivered_w: float
    kept: float
    """By the film, here counted in every watt."""

    def row(self) -> FluxResult:
        """Its numbers for the summary; a sun is 1361 W/m2, wherever the collector stands."""
        sun = SOLAR_IRRADIANCE_1AU_W_M2 / 1e4
        return {
            "sun_distance_au": self.sun_distance_au,
            "aperture_power_w": self.aperture_power_w,
            "film_transmittance": self.kept,
            "disc_acceptance": self.delivered_w / (self.kept * self.aperture_power_w),
            "delivered_w": self.delivered_w,
            "cone_mean_w_cm2": self.mean_w_cm2 * self.delivered_w / self.face_w if self.face_w > 0.0 else 0.0,
            "face_w": self.face_w,
            "face_mean_w_cm2": self.mean_w_cm2,
            "face_peak_w_cm2": self.peak.w_cm2,
            "face_peak_error_w_cm2": self.peak.error_w_cm2,
            "face_mean_suns": self.mean_w_cm2 / sun,
            "face_peak_suns": self.peak.w_cm2 / sun,
            "peak_over_mm": self.peak.over_mm,
            "mouth_peak_w_cm2": self.mouth_peak.w_cm2,
            "mouth_peak_error_w_cm2": self.mouth_peak.error_w_cm2,
            "mouth_peak_over_mm": self.mouth_peak.over_mm,
            "mouth_peak_suns": self.mouth_peak.w_cm2 / sun,
        }


def film_transmittance(prescription: Prescription) -> float:
    """What the film leaves of the light, 1 without one."""
    return prescription.film.transmittance if prescription.film is not None else 1.0


def counted_here(prescription: Prescription) -> float:
    """What the film leaves, where the acceptance and the losses are to include it."""
    film = prescription.film
    return film.transmittance if film is not None and film.counted == "here" else 1.0


def seen_at_normal(scene: Scene, sun_distance_au: float, rays: int = SEEN_RAYS) -> Seen:
    """Single rays of the Sun's disc at normal incidence."""
    radius = float(angular_radius_deg(sun_distance_au))
    return record(scene, NORMAL, rays=rays, sun_radius_deg=radius)


def flux_map(prescription: Prescription, scene: Scene, seen: Seen, sun_distance_au: float) -> FluxMap:
    """Flux on the fibre's face, film included; peaks by `optics.flux`, resolved finer than the map."""
    irradiance = SOLAR_IRRADIANCE_1AU_W_M2 / sun_distance_au**2
    power = irradiance * scene.aperture_area_m2
    left = film_transmittance(prescription)
    station = scene.parts.station[0]
    half_x, half_y = float(station["face_x"]), float(station["face_y"])
    is_round = bool(station["face_round"])
    x, y, weight = seen.face_x_m, seen.face_y_m, seen.face_weight * left * power / seen.rays
    inside = (x**2 + y**2 <= half_x**2) if is_round else (np.abs(x) <= half_x) & (np.abs(y) <= half_y)
    edges_x, edges_y = (np.linspace(-half, half, MAP_CELLS + 1) for half in (half_x, half_y))
    watts, _, _ = np.histogram2d(x[inside], y[inside], bins=(edges_x, edges_y), weights=weight[inside])
    at_mouth = seen.mouth_weight * left * power / seen.rays
    cell_cm2 = 1e4 * (edges_x[1] - edges_x[0]) * (edges_y[1] - edges_y[0])
    return FluxMap(
        sun_distance_au=sun_distance_au,
        aperture_power_w=power,
        x_edges_mm=1e3 * edges_x,
        y_edges_mm=1e3 * edges_y,
        flux_w_cm2=watts / cell_cm2,
        mean_w_cm2=float(weight[inside].sum() / (1e4 * scene.face_area_m2)),
        peak=peak_flux(x[inside], y[inside], weight[inside], (half_x, half_y)),
        mouth_peak=peak_flux(seen.mouth_x_m, seen.mouth_y_m, at_mouth, mouth_half_m(scene)[:2]),
        face_w=float(weight[inside].sum()),
        kept=left,
        delivered_w=float(seen.delivered.sum() / seen.rays * left * power),
    )


def spectral_efficiency(
    prescription: Prescription, scene: Scene, seen: Seen
) -> tuple[FloatArray, FloatArray]:
    """Share delivered of each traced wavelength, film in it where the acceptance has it; (wavelengths,) each."""
    kept = counted_here(prescription)
    wavelengths = scene.media[:, 0]
    band = float(scene.parts.station[0]["band_share"])
    which = np.searchsorted(wavelengths, seen.wavelength_nm)
    count = np.bincount(which, minlength=len(wavelengths))
    delivered = np.bincount(which, weights=kept * seen.delivered / band, minlength=len(wavelengths))
    return wavelengths, delivered / np.maximum(count, 1)


def azimuth_spread(scene: Scene, curve: Curve) -> float:
    """Largest difference of acceptance between azimuths of 0, 22.5, 45 and 90 degrees, over a few incidence
    angles."""
    angles = np.interp(np.linspace(0.2, 0.9, 4), np.linspace(0.0, 1.0, len(curve.angle_deg)), curve.angle_deg)
    sine, cosine = np.sin(np.radians(angles)), np.cos(np.radians(angles))
    accepted = []
    for azimuth in np.radians([0.0, 22.5, 45.0, 90.0]):
        directions = np.stack([sine * np.cos(azimuth), sine * np.sin(azimuth), cosine], axis=-1)
        accepted.append(trace(scene, directions, points=2048).share[:, loss_causes.DELIVERED])
    return float(np.ptp(accepted, axis=0).max())


def summary_of_trace(
    prescription: Prescription,
    scene: Scene,
    traced: Curve | Grid,
    acceptance: Acceptance,
    ledger: EtendueLedger,
    ways: Ways,
    notes: Notes,
    sources: Sequence[Source],
    source: str,
) -> TraceResult:
    """What trace.json holds; adds the warnings of heat and flux to the notes."""
    from yieldsim.files.output.provenance import provenance

    heat = prescription.heat
    fluxes = []
    for distance in sorted({1.0, heat.sun_distance_au}):
        seen = seen_at_normal(scene, distance)
        fluxes.append(flux_map(prescription, scene, seen, distance))
        if distance == heat.sun_distance_au:
            spot = spot_size(prescription, seen)
            film = film_transmittance(prescription)
            share = seen.share * film
            share[loss_causes.FILM] += 1.0 - film
            wavelengths, efficiency = spectral_efficiency(prescription, scene, seen)
    parts = heat_balance(prescription, scene, share)
    for part in parts:
        if part.too_hot:
            notes.add(
                f"{part.part}: {part.temperature_k:.0f} K at normal incidence, above its limit of {part.limit_k:.0f} K"
            )
    for flux in fluxes:
        if flux.peak.w_cm2 > heat.face_flux_limit_w_cm2:
            is_default = heat.face_flux_limit_w_cm2 == Heat().face_flux_limit_w_cm2
            notes.add(
                f"flux on the fibre's face reaches {flux.peak.w_cm2:.0f} W/cm2 at {flux.sun_distance_au:g} au, above the "
                f"{'default' if is_default else 'stated'} limit of {heat.face_flux_limit_w_cm2:g}"
            )
    beside = focus_beside_mouth(prescription, scene, film_transmittance(prescription))
    if beside is not None and beside.peak.w_cm2 > SAFE_BESIDE_W_CM2:
        rim = "fibre's face" if prescription.funnel is None else "funnel's mouth"
        notes.add(
            f"with the Sun {beside.angle_deg:.3g} deg off axis the focus lands beside the {rim} with up to "
            f"{plain(beside.peak.w_cm2, 3)} W/cm2: rim and housing, if they can't conduct it away, reach up to "
            f"{beside.temperature_k:.0f} K"
        )
    normal = traced.share.reshape(-1, loss_causes.COUNT)[0]
    concentration = scene.aperture_area_m2 / scene.face_area_m2
    widths = half_widths(traced)
    limit, accepts = _limit(widths, prescription.fibre.numerical_aperture)
    if limit is not None and limit < 1.0:
        notes.add(
            f"a fixed collector that accepts {accepts} into numerical aperture {prescription.fibre.numerical_aperture:g} "
            f"can concentrate {limit:.2f} times at most: it dilutes light"
        )
    outside = 1.0 - float(scene.parts.station[0]["band_share"])
    if outside > OUTSIDE_WORTH_A_NOTE:
        heated = "funnel" if prescription.lens.kind == "none" else "lens"
        notes.add(
            f"{outside:.0%} of sunlight lies outside the traced band: it counts as lost, and as heat in the {heated}"
        )
    counted = counted_here(prescription)
    error = traced.error[..., loss_causes.DELIVERED]
    # rows share their rays' shifts, so their errors add up at worst
    errors = replace(traced, share=traced.error)
    mean_error = [
        scene.aperture_area_m2
        * projected_acceptance_sr(table_of(errors, False, cause=cause))
        / ledger.offered
        for cause in range(loss_causes.COUNT)
    ]
    mean_loss = {name: value / ledger.offered for name, value in ledger.lost}
    return {
        "schema": "yieldsim trace 1",
        "name": prescription.name,
        "aperture_area_m2": scene.aperture_area_m2,
        "face_area_cm2": 1e4 * scene.face_area_m2,
        "acceptance": {
            "angles": "incidence" if isinstance(traced, Curve) else "transverse and longitudinal",
            "source": source,
            "normal": float(np.ravel(acceptance.acceptance_fraction)[0]),
            "normal_sun_disc": [
                {
                    "sun_distance_au": flux.sun_distance_au,
                    "acceptance_fraction": counted * flux.row()["disc_acceptance"],
                }
                for flux in fluxes
            ],
            "peak": float(acceptance.acceptance_fraction.max()),
            **cast(HalfWidths, widths),
            "rows": [int(size) for size in acceptance.acceptance_fraction.shape],
        },
        "losses": [
            {
                "cause": name,
                "normal": float(normal[cause]),
                "normal_error": float(traced.error.reshape(-1, loss_causes.COUNT)[0, cause]),
                "within_cone": float(mean_loss.get(name, 0.0)),
                "within_cone_error": mean_error[cause],
            }
            for cause, name in enumerate(loss_causes.NAMES)
            if cause != loss_causes.DELIVERED and (normal[cause] > 0.0 or mean_loss.get(name, 0.0) > 0.0)
        ],
        "etendue_used": ledger.used_fraction,
        "etendue": {
            "limit_m2_sr": ledger.limit,
            "used_m2_sr": ledger.used,
            "offered_m2_sr": ledger.offered,
            "lost": [{"cause": name, "m2_sr": value} for name, value in ledger.lost],
        },
        "concentration": {"geometric": concentration, "largest_for_this_half_width": limit},
        "statistical_error": {
            "asked": ways.precision,
            "normal": float(np.ravel(error)[0]),
            "largest": float(error.max()),
            "half_width_deg": half_width_error_deg(traced),
            "rays": traced.rays,
            "randomisations": SHIFTS,
        },
        "film": None
        if prescription.film is None
        else {"transmittance": prescription.film.transmittance, "counted": prescription.film.counted},
        "spectrum": {
            "sunlight": "ASTM G173-03 extraterrestrial, in bands, scaled to 1361 W/m2 at 1 au",
            "shortest_nm": prescription.band.shortest_nm,
            "longest_nm": prescription.band.longest_nm,
            "traced_fraction": float(scene.parts.station[0]["band_share"]),
            "efficiency": [
                {"wavelength_nm": round(float(w), 1), "delivered_fraction": float(e)}
                for w, e in zip(wavelengths, efficiency, strict=True)
            ],
        },
        "spot": cast(SpotResult, spot),
        "flux": [flux.row() for flux in fluxes],
        "beside_mouth": None
        if beside is None
        else {
            "sun_angle_deg": beside.angle_deg,
            "peak_w_cm2": beside.peak.w_cm2,
            "peak_error_w_cm2": beside.peak.error_w_cm2,
            "peak_over_mm": beside.peak.over_mm,
            "x_mm": beside.peak.x_mm,
            "y_mm": beside.peak.y_mm,
            "power_w": beside.beside_w,
            "temperature_bound_k": beside.temperature_k,
        },
        "heat": [row_of(part, HeatResult) for part in parts],
        "materials": [
            {"part": name, "material": m.name, "source": m.source}
            for name, m in (
                ("lens", prescription.lens.material),
                ("funnel", prescription.funnel.material if prescription.funnel else None),
            )
            if m is not None
        ],
        "warnings": list(notes.lines),
        "cautions": [CAUTION_FLUX],
        "provenance": provenance(sources, {"tolerance": ways.precision, "source": source, "seed": ways.seed}),
    }


def spot_size(prescription: Prescription, seen: Seen) -> dict[str, Any]:
    """The light in the plane of the funnel's mouth (or the fibre's face) with the Sun's disc at normal incidence.

    Radii about the axis, or distances across it for linear designs, that hold so many percent of it.
    """
    is_linear = prescription.is_linear
    far_mm = 1e3 * (np.abs(seen.mouth_x_m) if is_linear else np.hypot(seen.mouth_x_m, seen.mouth_y_m))
    order = np.argsort(far_mm)
    below = np.cumsum(seen.mouth_weight[order])
    size = "half_width" if is_linear else "radius"
    found = {
        f"{size}_{share}_mm": float(far_mm[order][np.searchsorted(below, share / 100.0 * below[-1])])
        for share in SPOT_SHARES
    }
    plane = "fibre's face" if prescription.funnel is None else "funnel's mouth"
    return {"plane": plane, "light_fraction": float(below[-1] / seen.rays), **found}


def _limit(widths: dict[str, float | None], numerical_aperture: float) -> tuple[float | None, str]:
    """Largest concentration for the half-widths at 50 %, and those widths in words; None where the acceptance never falls."""
    if "half_width_50_deg" in widths:
        width = widths["half_width_50_deg"]
        if width is None:
            return None, ""
        return largest_concentration(width, numerical_aperture), f"+-{width:.1f} deg"
    across, along = (widths[f"{axis}_half_width_50_deg"] or 90.0 for axis in ("transverse", "longitudinal"))
    return (largest_concentration(across, numerical_aperture, along), f"+-{across:.1f} by +-{along:.1f} deg")


def half_width_error_deg(traced: Curve | Grid) -> float | None:
    """One standard error of the half width at 50 %: that of the acceptance over the curve's slope there."""
    accepted, error = traced.share[..., loss_causes.DELIVERED], traced.error[..., loss_causes.DELIVERED]
    if isinstance(traced, Curve):
        angle = traced.angle_deg
    else:
        angle, accepted, error = traced.transverse_deg, accepted[:, 0], error[:, 0]
    width = falls_to_deg(angle, accepted, 0.5)
    if not math.isfinite(width):
        return None
    row = int(np.searchsorted(angle, width))
    slope = abs(accepted[row] - accepted[row - 1]) / (angle[row] - angle[row - 1])
    return float(np.hypot(max(error[row - 1], error[row]), 0.5 * error[int(accepted.argmax())]) / slope)


def half_widths(traced: Curve | Grid) -> dict[str, float | None]:
    """Angles at which acceptance falls to 50 % and 90 % of its peak (`acceptance.half_widths_deg`); None
    where it never does."""
    table = table_of(traced, False)
    axes = ("",) if isinstance(traced, Curve) else ("transverse_", "longitudinal_")
    return {
        f"{axis}half_width_{name}_deg": width if math.isfinite(width) else None
        for name, level in (("50", 0.5), ("90", 0.9))
        for axis, width in zip(axes, half_widths_deg(table, level), strict=True)
    }


def edge_direction(traced: Curve | Grid) -> FloatArray:
    """The Sun's direction at half acceptance, for drawings."""
    widths = half_widths(traced)
    angle = widths.get("half_width_50_deg") or widths.get("transverse_half_width_50_deg") or 0.0
    return directions_xyz(np.array(angle), np.array(0.0))
