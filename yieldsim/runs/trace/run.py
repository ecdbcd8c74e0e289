"""The tracing run: a lens prescription in, its acceptance table and every loss out."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from yieldsim.base.errors import CannotCompute, Gathered, InputError, refusal
from yieldsim.base.model import Acceptance, AttenuationTable, Collector, Notes, Source
from yieldsim.base.results.attached import Summarised
from yieldsim.base.results.optics import TraceResult
from yieldsim.files.text.paths import shown
from yieldsim.report.layout.number_format import plain
from yieldsim.runs.open_inputs import refuse_progress
from yieldsim.runs.time_span import number, whole_number

if TYPE_CHECKING:
    from yieldsim.base.prescription_model import OpticalMaterial, Prescription
    from yieldsim.files.toml.context import Loaded
    from yieldsim.optics.etendue_ledger import EtendueLedger
    from yieldsim.optics.raytrace.acceptance_trace import Curve, Grid, Ways
    from yieldsim.optics.raytrace.scene import Scene

Progress = Callable[[int, int], None]

SOURCES = ("point", "disc")
TOLERANCE = 0.005
"""Standard error of accepted shares, as a part of the share at normal incidence."""
TRACER_EDITION = 6
"""Goes up when the tracer's answers change, so that kept tables of an older one are not used."""
UNKNOWN_SHARE = 0.02
"""Sunlight beyond a material's data that is worth a warning."""
ROUNDNESS = 0.02
"""Difference of acceptance between azimuths that a one-angle table may hide without a warning."""


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class TraceRun(Summarised):
    """A traced prescription.

    acceptance   the table that a collector uses
    traced       the shares by cause behind it
    summary      what trace.json holds
    """

    prescription: Prescription
    scene: Scene
    traced: Curve | Grid
    acceptance: Acceptance
    ledger: EtendueLedger
    summary: TraceResult
    sources: tuple[Source, ...]
    warnings: tuple[str, ...]


def trace(
    optics: str | Path,
    *,
    tolerance: float = TOLERANCE,
    source: Literal["point", "disc"] = "point",
    seed: int | None = None,
    progress: Progress | None = None,
) -> TraceRun:
    """Acceptance of a lens prescription, with losses by cause, flux, etendue and heat.

    optics      prescription file
    tolerance   standard error asked for, as a part of the acceptance at normal incidence
    source      "point": parallel light, which a run smears with the disc of its day (the better way); "disc": the Sun at 1 au is
        traced into the table
    seed        of the random shifts; the same seed gives the same digits on any number of threads
    progress    called with (done, of) as directions are traced

    Returns the acceptance as a collector takes it, the traced shares by cause, and `summary`, what trace.json holds.
    Raises InputError for a bad file, CannotCompute where a traced design beats the etendue limit (a fault of ours).
    """
    from yieldsim.files.prescription.read import read_prescription

    gathered = Gathered()
    with gathered:
        refuse_progress(progress)
    with gathered:
        tolerance = number(tolerance, "tolerance")
        if not 1e-5 <= tolerance <= 0.2:
            raise refusal("", "tolerance", f"is {tolerance:g}", "0.00001 to 0.2")
    with gathered:
        if source not in SOURCES:
            raise refusal("", "source", f"is {source!r}", " or ".join(SOURCES))
    with gathered:
        if seed is not None:
            seed = whole_number(seed, "seed", 0, (1 << 31) - 1)
    with gathered:
        loaded = read_prescription(optics)
    gathered.refuse()
    ways = ways_of(loaded.noun, tolerance, source, seed)
    return trace_loaded(loaded, optics, ways, source=source, progress=progress)


def trace_loaded(
    loaded: Loaded[Prescription],
    where: str | Path,
    ways: Ways,
    *,
    source: Literal["point", "disc"] = "point",
    progress: Progress | None = None,
) -> TraceRun:
    """The same for a prescription that is at hand; `where` names it in messages. Raises InputError, CannotCompute."""
    from yieldsim.optics.etendue_ledger import etendue_ledger
    from yieldsim.optics.raytrace.acceptance_trace import table_of
    from yieldsim.optics.raytrace.scene import build_scene
    from yieldsim.optics.raytrace.spectral_trace import traced_bands
    from yieldsim.runs.trace.summary import summary_of_trace

    prescription = loaded.noun
    with _in_file(where):
        scene = build_scene(prescription)
    traced = _traced(scene, prescription, ways, progress, where)
    notes = Notes(list(loaded.warnings))
    notes.add(*_warnings(prescription, scene, traced, ways.precision))
    ledger = etendue_ledger(prescription, traced)
    _within_etendue(ledger)
    acceptance = table_of(traced, source == "disc")
    acceptance = replace(acceptance, bands=traced_bands(prescription, scene, acceptance, ways))
    summary = summary_of_trace(
        prescription, scene, traced, acceptance, ledger, ways, notes, loaded.sources, source
    )
    return TraceRun(
        prescription=prescription,
        scene=scene,
        traced=traced,
        acceptance=acceptance,
        ledger=ledger,
        summary=summary,
        sources=loaded.sources,
        warnings=tuple(notes.lines),
    )


def acceptance_from_prescription(
    path: str | Path,
    tolerance: float = TOLERANCE,
    progress: Progress | None = None,
    collector: Collector | None = None,
) -> tuple[Acceptance, tuple[Source, ...], tuple[str, ...]]:
    """Acceptance table (point source) of a prescription, sources and warnings; traced once, then kept.

    collector   where one names the prescription: what it says differently is warned about

    Kept tables are known by the content of the prescription, its materials and the sunlight, this package's
    version and the tolerance (`files.output.user_cache` says where). The shield's film is not in it unless the
    prescription says "here". Raises InputError, DataMissing or CannotCompute.
    """
    from yieldsim.files.prescription.read import read_prescription
    from yieldsim.optics.raytrace.scene import build_scene

    loaded = read_prescription(path)
    prescription = loaded.noun
    with _in_file(path):
        scene = build_scene(prescription)
    table, warnings = acceptance_of(prescription, scene, tolerance, path, progress)
    notes = Notes([*loaded.warnings, *warnings])
    notes.add(*(_disagreements(prescription, collector) if collector is not None else ()))
    return table, loaded.sources, tuple(notes.lines)


def _disagreements(prescription: Prescription, collector: Collector) -> list[str]:
    """What a collector file and the prescription that it names say differently."""
    lines = []
    stated, drawn = collector.aperture_area_m2, prescription.aperture_area_m2
    if abs(stated - drawn) > 0.01 * drawn:
        lines.append(f"aperture_area_m2 is {stated:g}, but the prescription's aperture has {drawn:.4g} m2")
    film, shield = prescription.film, collector.shield
    if film is not None and shield is not None and film.counted == "here" and shield.film_transmittance < 1.0:
        lines.append("the shield's film is counted twice: in the prescription's acceptance and in [shield]")
    if film is not None and film.counted == "collector" and shield is None:
        lines.append("the prescription has a shield film that nothing counts: give the collector a [shield]")
    fibre, face = collector.fibre, prescription.fibre
    if fibre is not None and fibre.numerical_aperture is not None and fibre.face_diameter_mm is not None:
        if abs(fibre.numerical_aperture - face.numerical_aperture) > 1e-3:
            lines.append(
                f"[fibre] numerical_aperture is {fibre.numerical_aperture:g}, in the prescription {face.numerical_aperture:g}"
            )
        area_mm2 = math.pi / 4.0 * fibre.face_diameter_mm**2
        if abs(area_mm2 - 1e6 * face.area_m2) > 0.02 * area_mm2:
            lines.append(
                f"[fibre] face_diameter_mm is {fibre.face_diameter_mm:g}: {plain(area_mm2)} mm2, in the prescription "
                f"{plain(1e6 * face.area_m2)}"
            )
    return lines


def changed_optics(
    data: dict[str, Any], path: Path, collector: Collector, tolerance: float, seed: int | None = None
) -> tuple[Prescription, Acceptance]:
    """A prescription of changed values and its acceptance, coloured where the collector's fibre asks for it.

    Raises InputError for a prescription that can't be built.
    """
    from yieldsim.files.prescription.read import prescription_from
    from yieldsim.optics.raytrace.scene import build_scene

    prescription = prescription_from(data, path)
    coloured = collector.fibre is not None and isinstance(collector.fibre.attenuation, AttenuationTable)
    scene = build_scene(prescription)
    table, _ = acceptance_of(prescription, scene, tolerance, path, seed=seed, coloured=coloured)
    return prescription, table


def acceptance_of(
    prescription: Prescription,
    scene: Scene,
    tolerance: float,
    where: str | Path,
    progress: Progress | None = None,
    *,
    seed: int | None = None,
    coloured: bool = True,
) -> tuple[Acceptance, tuple[str, ...]]:
    """The kept table of a prescription, or a new one that is kept from now on; and its warnings.

    seed       of the random shifts, the usual one when None
    coloured   with its bands of wavelength; a new table without them is not kept
    """
    from yieldsim.files.output.provenance import package_version
    from yieldsim.files.output.user_cache import cached_table, content_key, keep_table
    from yieldsim.optics.etendue_ledger import etendue_ledger
    from yieldsim.optics.raytrace.acceptance_trace import table_of
    from yieldsim.optics.raytrace.spectral_trace import traced_bands

    sunlight = (scene.media, float(scene.parts.station[0]["band_share"]))
    shifts = () if seed is None else (seed,)
    key = content_key(
        "acceptance", TRACER_EDITION, package_version(), tolerance, prescription, sunlight, *shifts
    )
    kept = cached_table(key)
    if kept is not None:
        return kept, _standing_warnings(prescription, scene)

    ways = ways_of(prescription, tolerance, "point", seed)
    traced = _traced(scene, prescription, ways, progress, where)
    _within_etendue(etendue_ledger(prescription, traced))
    table = table_of(traced, False)
    if coloured:
        table = replace(table, bands=traced_bands(prescription, scene, table, ways))
    keep_table(key, table)
    return table, _standing_warnings(prescription, scene)


@contextmanager
def _in_file(where: str | Path) -> Iterator[None]:
    """Problems of geometry and of what is traced get the file's name."""
    try:
        yield
    except InputError as error:
        raise InputError([replace(one, where=shown(Path(where))) for one in error.problems]) from None


def ways_of(prescription: Prescription, tolerance: float, source: str, seed: int | None) -> Ways:
    """How a prescription is traced: its precision, source, shifts; turned about its axis unless it is round."""
    from yieldsim.base.sun_disc import angular_radius_deg
    from yieldsim.optics.raytrace.acceptance_trace import Ways
    from yieldsim.optics.raytrace.tracer import SEED

    return Ways(
        precision=tolerance,
        sun_radius_deg=float(angular_radius_deg(1.0)) if source == "disc" else 0.0,
        spin=not prescription.is_linear and not prescription.is_symmetric,
        seed=SEED if seed is None else seed,
    )


def _traced(
    scene: Scene, prescription: Prescription, ways: Ways, progress: Progress | None, where: str | Path
) -> Curve | Grid:
    from yieldsim.optics.raytrace.acceptance_trace import behind_film, trace_curve, trace_grid
    from yieldsim.runs.trace.summary import counted_here

    kept = counted_here(prescription)
    with _in_file(where):
        if prescription.is_linear:
            return behind_film(trace_grid(scene, ways, progress), kept)
        return behind_film(trace_curve(scene, ways, progress=progress), kept)


def _within_etendue(ledger: EtendueLedger) -> None:
    """A traced design can't beat its fibre's etendue; 2 % are left for the table's straight lines."""
    if ledger.used_fraction > 1.02:
        raise CannotCompute(
            f"the traced acceptance needs {ledger.used_fraction:.3f} of the etendue that the fibre's face can take; that "
            "is a fault of the tracer: please report it with the prescription"
        )


def _standing_warnings(prescription: Prescription, scene: Scene) -> tuple[str, ...]:
    """What can be told without tracing."""
    lines: list[str] = []
    for name, part in (("lens", prescription.lens), ("funnel", prescription.funnel)):
        if part is not None and part.material is not None:
            lines += _beyond_data(name, part.material, scene)
    film = prescription.film
    if film is not None and film.counted == "here":
        lines.append(
            f"the acceptance includes the shield's film ({film.transmittance:g}): give the collector's [shield] "
            "film_transmittance = 1.0, or it counts twice"
        )
    if prescription.fibre.coupling == "matched" and prescription.funnel is not None:
        lines.append(
            "the funnel is index-matched to the fibre: of the collector's [fibre] end_reflection only the far end is left"
        )
    concentration = scene.aperture_area_m2 / scene.face_area_m2
    if concentration <= 1.0:
        lines.append(
            f"the fibre's face is as large as the aperture (concentration {concentration:.3g}): light is diluted"
        )
    return tuple(lines)


def _warnings(prescription: Prescription, scene: Scene, traced: Curve | Grid, tolerance: float) -> list[str]:
    """All of it, the traced ones included."""
    from yieldsim.optics.raytrace.acceptance_trace import Curve
    from yieldsim.runs.trace.summary import azimuth_spread

    lines = list(_standing_warnings(prescription, scene))
    delivered, error = traced.share[..., 0], traced.error[..., 0]
    if error.max() > 1.1 * tolerance * delivered.max():
        lines.append(
            f"the tolerance of {tolerance:g} is not reached: the largest standard error is {error.max():.2g} with as many rays "
            "as a trace takes at most"
        )
    if isinstance(traced, Curve) and not prescription.is_symmetric:
        spread = azimuth_spread(scene, traced)
        if spread > ROUNDNESS:
            lines.append(
                f"acceptance differs by up to {spread:.3f} between azimuths, for not every part is round; the table holds "
                "the mean over azimuth"
            )
    return lines


def _beyond_data(part: str, material: OpticalMaterial, scene: Scene) -> list[str]:
    """What a material's data leave open over the traced sunlight: beyond their ends, and below their noise."""
    wavelength = scene.media[:, 0]
    lines = []
    low, high = material.index_known_nm
    share = float(((wavelength < low) | (wavelength > high)).mean())
    if share > UNKNOWN_SHARE:
        doubt = float(material.index_doubt_at(wavelength).max())
        beyond = (
            f"meets its dispersion formula carried on, which differs by up to {doubt:.3f} from the value at the nearest end"
            if doubt > 0.0
            else "meets the value at the nearest end"
        )
        lines.append(
            f"{part}: the refractive index of {material.name} is known from {low:.0f} to {high:.0f} nm; {share:.0%} of the "
            f"traced sunlight lies beyond and {beyond}"
        )
    if material.absorption_known_nm is None:
        lines.append(f"{part}: no absorption data for {material.name}; it is taken as clear")
        return lines
    low, high = material.absorption_known_nm
    share = float(((wavelength < low) | (wavelength > high)).mean())
    if share > UNKNOWN_SHARE:
        lines.append(
            f"{part}: the absorption of {material.name} is known from {low:.0f} to {high:.0f} nm; {share:.0%} of the traced "
            "sunlight lies beyond and meets the value at the nearest end"
        )
    noise_per_m = material.absorption_noise_per_m
    if noise_per_m > 0.0:
        lines.append(
            f"{part}: absorption of {material.name} up to {noise_per_m:.2g} per metre is within the noise of its measurement and "
            f"counts as none; at most it would take {-math.expm1(-0.001 * noise_per_m):.2%} of the light on each millimetre"
        )
    return lines
