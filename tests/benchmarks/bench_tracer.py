"""Speed of the tracer: whole collector, one-angle curve, and a lens against general optics libraries in the
same run.

    python tests/benchmarks/bench_tracer.py [--small]

Each ratio is printed after the answers have been
compared.
"""

from __future__ import annotations

import math
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np

from yieldsim.base.prescription_model import Band, FibreFace, Lens, OpticalMaterial, Prescription
from yieldsim.files.prescription.read import read_prescription
from yieldsim.optics.raytrace import loss_causes
from yieldsim.optics.raytrace.acceptance_trace import Ways, trace_curve
from yieldsim.optics.raytrace.scene import build_scene
from yieldsim.optics.raytrace.tracer import directions_xyz, record, trace

SMALL = "--small" in sys.argv
"""Whether it only has to run to its end: few rays, loose curves."""
SITES = Path(__file__).resolve().parents[2] / "sites"
INDEX, RADIUS, THICKNESS, TARGET = 1.4906, 0.2, 0.012, 0.35


def best_of(work: Callable[[], object], tries: int = 5) -> float:
    """Shortest of a few runs, seconds."""
    times = []
    for _ in range(tries):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return min(times)


def collectors() -> None:
    """Rays a second through whole collectors, Sun's disc straight on, and the time of a curve."""
    for name in ("half-metre-lens", "polar-dome", "wide-trough"):
        prescription = read_prescription(SITES / f"{name}.optics.toml").noun
        scene = build_scene(prescription)
        normal = np.array([[0.0, 0.0, 1.0]])
        points = 1 << (10 if SMALL else 16)
        trace(scene, normal, points=256, sun_radius_deg=0.2665)
        seconds = best_of(lambda: trace(scene, normal, points=points, sun_radius_deg=0.2665))  # noqa: B023
        print(f"{name:18s} {16 * points / seconds / 1e6:6.2f} million rays/s through the whole collector")
        if not prescription.is_linear:
            spin = not prescription.is_symmetric
            trace_curve(scene, Ways(0.05 if SMALL else 0.005, spin=spin))
            began = time.perf_counter()
            curve = trace_curve(scene, Ways(0.05 if SMALL else 0.005, spin=spin))
            seconds = time.perf_counter() - began
            worst = curve.error[:, loss_causes.DELIVERED].max() / curve.share[0, loss_causes.DELIVERED]
            print(
                f"{'':18s} curve of {len(curve.angle_deg)} angles, worst error {worst:.2%}: {seconds:.2f} s"
            )


def lens_scene() -> tuple[Prescription, np.ndarray]:
    """A plano-convex lens that all libraries can trace, and the Sun's direction."""
    glass = OpticalMaterial(
        name="glass",
        wavelength_nm=np.array([200.0, 5000.0]),
        refractive_index=np.array([INDEX, INDEX]),
        absorption_per_m=np.zeros(2),
    )
    lens = Lens(kind="plano_convex", width_m=0.1, thickness_m=THICKNESS, curved_side="in", curvature_radius_m=RADIUS,
                material=glass)  # fmt: skip
    fibre = FibreFace(section="round", width_m=0.1, length_m=0.1, numerical_aperture=1.0, distance_m=TARGET)
    band = Band(shortest_nm=500.0, longest_nm=600.0)
    return Prescription(name="lens", lens=lens, fibre=fibre, band=band), directions_xyz(
        np.array(2.0), np.array(0.0)
    )


def ours(rays: int) -> tuple[float, tuple[float, float]]:
    """Seconds, and mean and spread of the spot: Fresnel losses and absorption included."""
    prescription, direction = lens_scene()
    scene = build_scene(prescription)
    seen = record(scene, direction, rays=rays, sun_radius_deg=0.0)
    seconds = best_of(lambda: trace(scene, direction[None], points=rays // 16))
    arrived = seen.mouth_weight > 0.0
    return seconds, (float(seen.mouth_x_m[arrived].mean()), float(seen.mouth_x_m[arrived].std()))


def places(rays: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The same disc of parallel light for the others."""
    _, direction = lens_scene()
    index = np.arange(rays)
    r, turn = 0.05 * np.sqrt((index + 0.5) / rays), 2.0 * math.pi * (index * 0.6180339887498949 % 1.0)
    heading = np.array([-direction[0], -direction[1], direction[2]])
    return r * np.cos(turn), r * np.sin(turn), heading


def by_batoid(rays: int) -> tuple[float, tuple[float, float]] | None:
    """The same with batoid: sequential, no Fresnel weights."""
    try:
        import batoid
    except ImportError:
        return None
    x, y, heading = places(rays)
    air, glass = batoid.ConstMedium(1.0), batoid.ConstMedium(INDEX)
    flat, curved = batoid.Plane(), batoid.Quadric(-RADIUS, 0.0)
    back = batoid.CoordSys().shiftGlobal([0.0, 0.0, THICKNESS])
    image = batoid.CoordSys().shiftGlobal([0.0, 0.0, THICKNESS + TARGET])
    out = []

    def work() -> None:
        beam = batoid.RayVector(x, y, np.zeros(rays), *np.tile(heading[:, None], rays), wavelength=550e-9)
        batoid.refract(flat, beam, air, glass, coordSys=batoid.CoordSys())
        batoid.refract(curved, beam, glass, air, coordSys=back)
        batoid.intersect(flat, beam, coordSys=image)
        out[:] = [beam.x]

    seconds = best_of(work)
    return seconds, (float(out[0].mean()), float(out[0].std()))


def by_optiland(rays: int) -> tuple[float, tuple[float, float]] | None:
    """The same with optiland, where it is installed: its default NumPy backend, surface by surface."""
    try:
        from optiland.materials import IdealMaterial
        from optiland.optic import Optic
        from optiland.rays import RealRays
    except ImportError:
        return None
    x, y, heading = places(rays)
    lens = Optic()
    lens.add_surface(index=0, thickness=np.inf)
    lens.add_surface(
        index=1, thickness=1e3 * THICKNESS, radius=np.inf, material=IdealMaterial(INDEX), is_stop=True
    )
    lens.add_surface(index=2, thickness=1e3 * TARGET, radius=-1e3 * RADIUS)
    lens.add_surface(index=3)
    lens.set_aperture(aperture_type="EPD", value=100.0)
    lens.set_field_type(field_type="angle")
    lens.add_field(y=0)
    lens.add_wavelength(value=0.55, is_primary=True)
    out = []

    def work() -> None:
        ones = np.ones(rays)
        beam = RealRays(1e3 * x, 1e3 * y, 0.0 * ones, *(h * ones for h in heading), ones, 0.55 * ones)
        traced = lens.surface_group.trace(beam)
        out[:] = [np.asarray((traced if traced is not None else beam).x)]

    seconds = best_of(work, 3)
    return seconds, (1e-3 * float(out[0].mean()), 1e-3 * float(out[0].std()))


def main() -> None:
    """Print all figures."""
    warnings.simplefilter("ignore")
    collectors()
    rays = 1 << (14 if SMALL else 18)
    seconds, spot = ours(rays)
    print(
        f"plano-convex lens  {rays / seconds / 1e6:6.2f} million rays/s, spot {1e3 * spot[0]:.4f} +- {1e3 * spot[1]:.4f} mm"
    )
    for name, answer in (("batoid", by_batoid(rays)), ("optiland", by_optiland(rays))):
        if answer is None:
            print(f"{name:18s} not installed")
            continue
        other, found = answer
        agree = abs(found[0] - spot[0]) < 2e-5 and abs(found[1] - spot[1]) < 2e-5
        print(
            f"{name:18s} {rays / other / 1e6:6.2f} million rays/s, spot {1e3 * found[0]:.4f} +- {1e3 * found[1]:.4f} mm "
            f"({'agrees' if agree else 'DIFFERS'}): {other / seconds:.2f} of our time, without Fresnel, absorption and ledger"
        )


if __name__ == "__main__":
    main()
