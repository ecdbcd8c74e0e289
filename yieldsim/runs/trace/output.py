"""From a traced prescription to its page and files: outlines, rays, maps, and everything written together."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from yieldsim.base.errors import refusal
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.optics.flux import light_at_mouth, mouth_half_m
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.acceptance_trace import Curve
from yieldsim.optics.raytrace.funnel_walls import profile
from yieldsim.optics.raytrace.scene import Scene, conic_sag_m
from yieldsim.optics.raytrace.tracer import Seen, paths
from yieldsim.report.layout.style import number
from yieldsim.report.trace.maps import LightMap, Opening
from yieldsim.report.trace.page import Outline, TracePage, trace_pictures
from yieldsim.runs.trace.summary import (
    NORMAL,
    edge_direction,
    film_transmittance,
    flux_map,
    seen_at_normal,
    spectral_efficiency,
)

if TYPE_CHECKING:
    from yieldsim.base.prescription_model import Lens
    from yieldsim.runs.trace.run import TraceRun

DRAWN_RAYS = 17
MAP_CELLS = 61
"""Across a map of light."""


def write_trace(run: TraceRun, out: str | Path, figures: bool = True) -> list[str]:
    """Write the acceptance table to `out`, and beside it trace.json, trace_losses.csv, trace.png and
    trace.pdf.

    All of them or none.
    Returns the names written. Raises WriteFailed, and InputError as `refuse_place` does.
    """
    from yieldsim.files.output.dataset import staged_folder, write_image, write_json, write_table

    target = Path(out)
    refuse_place(target)
    with staged_folder(target.parent) as stage:
        write_table(acceptance_frame(run), stage / target.name)
        write_json(run.summary, stage / "trace.json")
        write_table(losses_frame(run), stage / "trace_losses.csv")
        if figures:
            picture, page = trace_pictures(page_of(run))
            write_image(picture, stage / "trace.png")
            write_image(page, stage / "trace.pdf")
        return sorted(file.name for file in stage.iterdir())


def refuse_place(out: Path) -> None:
    """Raise InputError for a table that can't be written, or beside whose place another table's trace.json lies.

    A trace over its own table is made anew; beside another one it would leave that table with the wrong trace.json.
    """
    from yieldsim.files.output.atomic_write import refuse_table_name

    refuse_table_name(out)
    earlier = out.parent / "trace.json"
    if not out.exists() and earlier.exists():
        raise refusal(
            "--out",
            found=f"is {out}, beside the trace.json of another table",
            allowed="a folder for each trace",
            hint=f"such as {out.parent / out.stem / out.name}",
        )


def acceptance_frame(run: TraceRun) -> Any:
    """The table in the collector's format, as a data frame."""
    import pandas as pd

    from yieldsim.files.inputs.collector_writer import acceptance_columns

    return pd.DataFrame(acceptance_columns(run.acceptance))


def losses_frame(run: TraceRun) -> Any:
    """Shares of the light by cause for every traced direction, as the acceptance counts them; they add up to 1 in
    each row."""
    import pandas as pd

    traced = run.traced
    if isinstance(traced, Curve):
        columns: dict[str, FloatArray] = {"incidence_deg": traced.angle_deg}
    else:
        t, along = np.meshgrid(traced.transverse_deg, traced.longitudinal_deg, indexing="ij")
        columns = {"transverse_deg": t.ravel(), "longitudinal_deg": along.ravel()}
    share, error = (values.reshape(-1, loss_causes.COUNT) for values in (traced.share, traced.error))
    columns["delivered_error"] = error[:, loss_causes.DELIVERED]
    for cause, name in enumerate(loss_causes.NAMES):
        if share[:, cause].any():
            column = name.replace(" ", "_").replace("'", "")
            columns[column] = share[:, cause]
            if cause != loss_causes.DELIVERED:
                columns[f"{column}_error"] = error[:, cause]
    return pd.DataFrame(columns)


def page_of(run: TraceRun) -> TracePage:
    """Everything the page shows."""
    scene, traced = run.scene, run.traced
    seen = seen_at_normal(scene, run.prescription.heat.sun_distance_au)
    wavelengths, efficiency = spectral_efficiency(run.prescription, scene, seen)
    edge = edge_direction(traced)
    one_angle = isinstance(traced, Curve)
    order = [
        loss_causes.DELIVERED,
        *(cause for cause in range(loss_causes.COUNT) if cause != loss_causes.DELIVERED),
    ]
    shares = traced.share if isinstance(traced, Curve) else traced.share[:, 0]
    return TracePage(
        summary=run.summary,
        outlines=outlines(scene, run.prescription.lens),
        rays_normal=drawn_rays(scene, NORMAL),
        rays_edge=drawn_rays(scene, edge),
        edge_deg=math.degrees(math.atan2(float(np.hypot(edge[0], edge[1])), float(edge[2]))),
        angle_words="incidence angle" if one_angle else "transverse angle at longitudinal 0°",
        angle_deg=traced.angle_deg if isinstance(traced, Curve) else traced.transverse_deg,
        shares=shares[:, order],
        loss_names=[loss_causes.NAMES[cause] for cause in order[1:]],
        grid=None
        if isinstance(traced, Curve)
        else (traced.transverse_deg, traced.longitudinal_deg, traced.share[..., loss_causes.DELIVERED]),
        maps=light_maps(run, seen),
        wavelength_nm=wavelengths,
        delivered_fraction=efficiency,
    )


def light_maps(run: TraceRun, seen: Seen) -> list[LightMap]:
    """Light in the plane of the funnel's mouth, where most of it lands beside the mouth, and on the fibre's face."""
    prescription, scene = run.prescription, run.scene
    distance_au, kept = prescription.heat.sun_distance_au, film_transmittance(prescription)
    row = next(one for one in run.summary["flux"] if one["sun_distance_au"] == distance_au)
    face = flux_map(prescription, scene, seen, distance_au)
    half_x, half_y, is_round = mouth_half_m(scene)
    mouth = Opening(half_x_mm=1e3 * half_x, half_y_mm=1e3 * half_y, is_round=is_round)
    at_normal = f"normal incidence, {distance_au:g} au"
    maps = []
    if prescription.funnel is not None:
        spot = (seen.mouth_x_m, seen.mouth_y_m, seen.mouth_weight * kept * face.aperture_power_w / seen.rays)
        reach = 1.3e3 * half_x, 1.3e3 * half_y
        maps.append(
            LightMap(
                title="At the funnel's mouth",
                words=(
                    at_normal,
                    f"up to {number(row['mouth_peak_w_cm2'])} W/cm²",
                    f"({number(row['mouth_peak_suns'], 2)} suns) over {number(row['mouth_peak_over_mm'], 2)} mm",
                ),
                **_gridded(*spot, reach, MAP_CELLS),
                opening=mouth,
            )
        )
    beside = run.summary["beside_mouth"]
    if beside is not None:
        light = light_at_mouth(prescription, scene, beside["sun_angle_deg"], kept)
        place = (beside["x_mm"], beside["y_mm"])
        reach = max(1.3e3 * half_x, 1.25 * abs(place[0])), max(1.3e3 * half_y, 1.25 * abs(place[1]))
        maps.append(
            LightMap(
                title=f"Beside the {'mouth' if prescription.funnel is not None else 'face'}",
                words=(
                    f"Sun {beside['sun_angle_deg']:.3g}° off axis, {distance_au:g} au",
                    f"up to {number(beside['peak_w_cm2'])} W/cm² (ring), {number(beside['power_w'])} W;",
                    f"rim, housing, if insulated: {beside['temperature_bound_k']:.0f} K",
                ),
                **_gridded(*light, reach, MAP_CELLS),
                opening=mouth,
                brightest_mm=place,
            )
        )
    station = scene.parts.station[0]
    maps.append(
        LightMap(
            title="On the fibre's face",
            words=(
                at_normal,
                f"mean {number(row['face_mean_w_cm2'])}, up to {number(row['face_peak_w_cm2'])} W/cm²",
                f"({number(row['face_mean_suns'], 2)} and {number(row['face_peak_suns'], 2)} suns)",
            ),
            x_edges_mm=face.x_edges_mm,
            y_edges_mm=face.y_edges_mm,
            flux_w_cm2=face.flux_w_cm2,
            opening=Opening(
                half_x_mm=1e3 * float(station["face_x"]),
                half_y_mm=1e3 * float(station["face_y"]),
                is_round=bool(station["face_round"]),
            ),
        )
    )
    return maps


def _gridded(
    x_m: FloatArray, y_m: FloatArray, watts: FloatArray, reach_mm: tuple[float, float], cells: int
) -> dict[str, Any]:
    """Edges in mm, and flux, of light that lands within `reach_mm` of the axis, in even cells."""
    edges = [np.linspace(-reach, reach, cells + 1) for reach in reach_mm]
    power, _, _ = np.histogram2d(1e3 * x_m, 1e3 * y_m, bins=edges, weights=watts)
    cell_cm2 = 4.0 * reach_mm[0] * reach_mm[1] / cells**2 / 100.0
    return {"x_edges_mm": edges[0], "y_edges_mm": edges[1], "flux_w_cm2": power / cell_cm2}


def drawn_rays(scene: Scene, direction: FloatArray) -> list[FloatArray]:
    """Rays across the section, from a little above the aperture to their ends."""
    station = scene.parts.station[0]
    half, wavelength = float(station["aperture_x"]), float(np.median(scene.media[:, 0]))
    # uneven places, so that no ray falls just on a groove's tip
    across = half * np.linspace(-0.97, 0.97, DRAWN_RAYS) * 1.0007
    heading = np.array([-direction[0], direction[2]])
    depth = float(station["aperture_depth"])
    above = 0.25 * half + max(depth, 0.0)
    lines = []
    for path in paths(scene, np.column_stack([across, np.zeros(DRAWN_RAYS)]), direction, wavelength):
        section = path[:, [0, 2]]
        start = section[0] - above / heading[1] * heading
        # the aperture of a lens that bulges towards the Sun lies behind its front
        rest = section[1:] if depth > 0.0 and len(section) > 1 else section
        lines.append(np.vstack([start, rest]))
    return lines


def outlines(scene: Scene, lens: Lens) -> list[Outline]:
    """The parts in section."""
    found = []
    if lens.kind != "none":
        found.append(_lens_outline(scene, lens))
    for wall, kind in ((scene.parts.collar[0], "mirror"), (scene.parts.funnel[0], "funnel")):
        if not wall["present"]:
            continue
        depth, half = profile(wall)
        if kind == "funnel" and wall["solid"]:
            across = np.concatenate([-half, half[::-1]])
            found.append(Outline(kind="glass", across_m=across, depth_m=np.concatenate([depth, depth[::-1]])))
        else:
            for side in (-1.0, 1.0):
                found.append(Outline(kind="mirror", across_m=side * half, depth_m=depth))
    station = scene.parts.station[0]
    start = float(station["mouth_depth"])
    if station["has_funnel"]:
        start = float(scene.parts.funnel[0]["bottom"])
    start += float(station["gap"])
    half_face, long = float(station["face_x"]), 3.0 * float(station["face_x"])
    across = np.array([-half_face, half_face, half_face, -half_face])
    found.append(
        Outline(kind="fibre", across_m=across, depth_m=np.array([start, start, start + long, start + long]))
    )
    return found


def _lens_outline(scene: Scene, lens: Lens) -> Outline:
    """Front and back faces; grooves too fine to draw appear as the surface of their tips."""
    half = float(scene.parts.lens[0]["half_x"])
    across = np.linspace(-half, half, 121)
    front, back = np.zeros_like(across), np.full_like(across, lens.thickness_m)
    if lens.kind == "domed_fresnel":
        inner = lens.dome_radius_m - lens.thickness_m
        front = lens.dome_radius_m - np.sqrt(lens.dome_radius_m**2 - across**2)
        back = lens.dome_radius_m - np.sqrt(np.maximum(0.0, inner**2 - across**2))
    elif lens.kind == "plano_convex":
        sag = np.array([conic_sag_m(abs(x), lens.curvature_radius_m, lens.conic_constant) for x in across])
        if lens.curved_side == "out":
            front = sag
        else:
            back = lens.thickness_m - sag
    return Outline(
        kind="glass",
        across_m=np.concatenate([across, across[::-1]]),
        depth_m=np.concatenate([front, back[::-1]]),
    )
