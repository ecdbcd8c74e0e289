"""The frozen nouns: what a body, a site and a collector are. Numbers and tuples; they know no file format.

Tables hold arrays; they copy them and make them read-only, and compare by value.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal

from yieldsim.base.numerics.frozen_table import FrozenTable
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.radiation_model import Radiation
from yieldsim.base.ranges import Range
from yieldsim.base.thermal_model import Ground, Thermal

Rows = tuple[tuple[float, ...], ...]
SHORTEST_CYCLE_HOURS = 0.05
"""Every cycle of a run is followed on its own: shorter ones would be millions, and leave no dust to tell of."""
Fractions = Annotated[FloatArray, Range(0.0, 1.0)]


# ---------------------------------------------------------------- bodies


@dataclass(frozen=True, slots=True, kw_only=True)
class RotationElements:
    """Pole and prime meridian as polynomials plus periodic terms, degrees, in the ICRF.

    pole_right_ascension_deg, pole_declination_deg   coefficients of 1, T, T^2 (T: Julian centuries TDB)
    prime_meridian_deg                               coefficients of 1, d, d^2 (d: days TDB)
    right_ascension_terms, prime_meridian_terms      rows (amplitude, phase, rate per century[, T^2 rate]) of sines
    declination_terms                                the same of cosines
    """

    pole_right_ascension_deg: tuple[float, ...]
    pole_declination_deg: tuple[float, ...]
    prime_meridian_deg: tuple[float, ...]
    right_ascension_terms: Rows = ()
    declination_terms: Rows = ()
    prime_meridian_terms: Rows = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OrientationKernel:
    """A binary orientation kernel, its frame file and the frame to use (file names, found by `files.ephemeris.kernel_selection`)."""

    frame_file: str
    binary_file: str
    frame: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Occulter:
    """A body that can pass in front of the Sun, taken as a sphere."""

    name: str
    ephemeris_target: int
    radius_km: Annotated[float, Range(above=0.0, high=1.0e6)]


LARGEST_RELIEF = 0.03
"""Of the radius: no round world has higher or lower ground but small ones, whose body files say so (Vesta's basin is 8 %)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """A world to stand on."""

    name: str
    ephemeris_target: int = field(repr=False)
    equatorial_radius_km: Annotated[float, Range(above=0.0, high=1.0e6)]
    polar_radius_km: Annotated[float, Range(above=0.0, high=1.0e6)]
    mean_solar_day_hours: Annotated[float, Range(above=0.0, high=1.0e7)]
    rotation: RotationElements = field(repr=False)
    orientation_kernel: OrientationKernel | None = field(default=None, repr=False)
    occulters: tuple[Occulter, ...] = field(default=(), repr=False)
    atmosphere_scale_height_km: float | None = None
    """Scale height of what dims the beam (dust or air); None where there is no atmosphere."""
    orbit_target: int | None = field(default=None, repr=False)
    """Whose orbit about the Sun sets the season (the Earth-Moon barycentre for the Moon); None: the body itself."""
    lowest_ground_m: Annotated[float, Range(-1.0e6, 1.0e6)] | None = None
    highest_ground_m: Annotated[float, Range(-1.0e6, 1.0e6)] | None = None
    """Heights above the ellipsoid that no ground passes; None: not known."""

    @property
    def mean_radius_km(self) -> float:
        """Mean of the three half axes, (2 a + c) / 3."""
        return (2.0 * self.equatorial_radius_km + self.polar_radius_km) / 3.0

    @property
    def relief_m(self) -> tuple[float, float]:
        """Lowest and highest height of the ground; LARGEST_RELIEF of the radius where the body doesn't say."""
        most = LARGEST_RELIEF * self.equatorial_radius_km * 1000.0
        low, high = self.lowest_ground_m, self.highest_ground_m
        return -most if low is None else low, most if high is None else high


# ---------------------------------------------------------------- site


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class HorizonMask(FrozenTable):
    """Skyline: elevation by azimuth, linear between rows, wrapping at 360."""

    columns = ("azimuth_deg", "elevation_deg")
    azimuth_deg: Annotated[FloatArray, Range(0.0, 360.0, increases=True)]
    elevation_deg: Annotated[FloatArray, Range(-90.0, 90.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class TerrainHorizon:
    """A skyline still to be computed from terrain files, finest first."""

    terrain: tuple[str, ...]
    reach_km: Annotated[float, Range(above=0.0, high=5000.0)] | None = None
    azimuth_step_deg: Annotated[float, Range(low=0.01, high=10.0)] = 0.5


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class OpticalDepthTable(FrozenTable):
    """Vertical optical depth against solar longitude (deg, periodic) or TDB seconds past J2000 (ends hold)."""

    columns = ("x", "optical_depth")
    against: Literal["solar_longitude_deg", "tdb_s"]
    x: Annotated[FloatArray, Range(increases=True)]
    optical_depth: Annotated[FloatArray, Range(0.0, 100.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class CleaningEvent:
    """At `time_utc` (ISO 8601) a fraction `removes` of the dust then present goes."""

    time_utc: str
    removes: Annotated[float, Range(0.0, 1.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dust:
    """How dust settles on an uncleaned aperture."""

    loss_per_day: Annotated[float, Range(low=0.0, below=1.0)]
    """Fraction of the transmitted light lost per Earth day."""
    model: Literal["exponential", "linear"] = "exponential"
    tilt_exponent: Annotated[float, Range(0.0, 100.0)] = 0.0
    """Deposition scales with cos(tilt)^exponent; 0: the same at any tilt; facing down collects none if > 0."""
    floor: Annotated[float, Range(0.0, 1.0)] = 0.0
    """The clean fraction never falls below this; dust goes on settling beneath it."""
    events: tuple[CleaningEvent, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A place to stand. Latitude is planetocentric; elevation above the body's ellipsoid."""

    name: str
    body: Body
    latitude_deg: Annotated[float, Range(-90.0, 90.0)]
    longitude_deg: Annotated[float, Range(-180.0, 360.0)]
    elevation_m: Annotated[float, Range(-100_000.0, 100_000.0)] = 0.0
    mast_height_m: Annotated[float, Range(0.0, 10_000.0)] = 0.0
    horizon: HorizonMask | TerrainHorizon | None = None
    """None: a flat horizon, the bare body."""
    optical_depth: Annotated[float, Range(0.0, 100.0)] | OpticalDepthTable | None = None
    dust: Dust | None = None
    ground: Ground | None = None
    """None: regolith on the Moon, not known elsewhere."""


# ---------------------------------------------------------------- collector


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """A fixed direction and how many units face it."""

    tilt_deg: Annotated[float, Range(0.0, 180.0)]
    azimuth_deg: Annotated[float, Range(-180.0, 360.0)]
    roll_deg: Annotated[float, Range(-360.0, 360.0)] = 0.0
    count: Annotated[int, Range(1, 1_000_000, whole=True)] = 1


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class AcceptanceBands(FrozenTable):
    """The acceptance of some bands of wavelength, on the angles of the table that it belongs to: the colour of the optics.

    wavelength_nm         (bands, 2): ends of each band, increasing, none overlapping
    acceptance_fraction   (bands, *angles)
    """

    columns = ("wavelength_nm", "acceptance_fraction")
    wavelength_nm: Annotated[FloatArray, Range(100.0, 100_000.0)]
    acceptance_fraction: Fractions


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class RoundAcceptance(FrozenTable):
    """Acceptance against incidence angle, for optics with rotational symmetry; zero beyond the last row."""

    columns = ("incidence_deg", "acceptance_fraction")
    incidence_deg: Annotated[FloatArray, Range(0.0, 90.0, increases=True)]
    acceptance_fraction: Fractions
    """Of all sunlight."""
    source: Literal["point", "disc"]
    bands: AcceptanceBands | None = None
    """None: optics without colour."""


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class BiaxialAcceptance(FrozenTable):
    """Acceptance over transverse (rows) and longitudinal (columns) angle; zero outside the table.

    A table that starts at 0 in an angle is mirrored for its negative side.
    """

    columns = ("transverse_deg", "longitudinal_deg", "acceptance_fraction")
    transverse_deg: Annotated[FloatArray, Range(-90.0, 90.0, increases=True)]
    longitudinal_deg: Annotated[FloatArray, Range(-90.0, 90.0, increases=True)]
    acceptance_fraction: Fractions
    source: Literal["point", "disc"]
    bands: AcceptanceBands | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PrescriptionAcceptance:
    """An acceptance still to be traced from a prescription file."""

    prescription: str


Acceptance = RoundAcceptance | BiaxialAcceptance


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class GrainRemoval(FrozenTable):
    """What one cycle removes by grain size, linear in the logarithm of the diameter, its ends held; and the sizes that settle.

    median_um      median diameter by count of a lognormal deposit
    geometric_sd   its geometric standard deviation
    """

    columns = ("diameter_um", "removal_fraction")
    diameter_um: Annotated[FloatArray, Range(1.0e-3, 1.0e5, increases=True)]
    removal_fraction: Fractions
    median_um: Annotated[float, Range(1.0e-3, 1.0e5)]
    geometric_sd: Annotated[float, Range(1.0, 10.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shield:
    """Electrodynamic dust shield on the aperture of every unit.

    lowest_removal, highest_removal   range that the removal is known within; None: not stated
    grains                      removal by grain size, in place of `removal`
    """

    film_transmittance: Annotated[float, Range(above=0.0, high=1.0)] = 1.0
    removal: Annotated[float, Range(0.0, 1.0)] = 0.0
    lowest_removal: Annotated[float, Range(0.0, 1.0)] | None = None
    highest_removal: Annotated[float, Range(0.0, 1.0)] | None = None
    grains: GrainRemoval | None = None
    cycle_hours: Annotated[float, Range(low=SHORTEST_CYCLE_HOURS, high=1.0e6)] | None = None
    """None: a film that never runs."""
    duty_minutes: Annotated[float, Range(low=0.0, high=1.0e6)] = 0.0
    power_w: Annotated[float, Range(low=0.0, high=1.0e6)] = 0.0

    @property
    def cleans(self) -> bool:
        """Whether its cycles take off any dust."""
        return self.cycle_hours is not None and (self.removal > 0.0 or self.grains is not None)


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class AttenuationTable(FrozenTable):
    """Fibre attenuation by wavelength, linear between rows."""

    columns = ("wavelength_nm", "attenuation_db_per_km")
    wavelength_nm: Annotated[FloatArray, Range(100.0, 100_000.0, increases=True)]
    attenuation_db_per_km: Annotated[FloatArray, Range(0.0, 1.0e6)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fibre:
    """Fibre or bundle from the funnel to the habitat."""

    length_m: Annotated[float, Range(0.0, 1.0e6)]
    attenuation: Annotated[float, Range(0.0, 1.0e6)] | AttenuationTable = 0.0
    """dB/km, or a table of it."""
    packing: Annotated[float, Range(above=0.0, high=1.0)] = 1.0
    end_reflection: Annotated[float, Range(low=0.0, below=1.0)] = 0.0
    coupling: Annotated[float, Range(above=0.0, high=1.0)] = 1.0
    numerical_aperture: Annotated[float, Range(above=0.0, high=2.0)] | None = None
    face_diameter_mm: Annotated[float, Range(above=0.0, high=10_000.0)] | None = None
    darkening_db_per_km_per_year: Annotated[float, Range(0.0, 1.0e6)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Collector:
    """Fixed, fibre-coupled concentrator units: one aperture design, several mounts."""

    name: str
    aperture_area_m2: Annotated[float, Range(above=0.0, high=1.0e6)]
    mounts: tuple[Mount, ...]
    acceptance: Acceptance | PrescriptionAcceptance
    shield: Shield | None = None
    fibre: Fibre | None = None
    mass_kg: Annotated[float, Range(above=0.0, high=1.0e7)] | None = None
    thermal: Thermal | None = None
    radiation: Radiation | None = None

    @property
    def unit_count(self) -> int:
        """Units over all mounts."""
        return sum(mount.count for mount in self.mounts)

    @property
    def acceptance_table(self) -> Acceptance:
        """The acceptance as a table; a prescription has to be traced first (TypeError)."""
        if isinstance(self.acceptance, PrescriptionAcceptance):
            raise TypeError(f"{self.acceptance.prescription} has not been traced to a table yet")
        return self.acceptance


# ---------------------------------------------------------------- provenance


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A file that a result rests on."""

    role: str
    name: str
    sha256: str
    note: str = ""
    dated: str = ""
    """Day on which the file was last changed, UTC, as YYYY-MM-DD."""


@dataclass(slots=True)
class Notes:
    """Warnings gathered along a run: right results that may mislead. Each is kept once, in order."""

    lines: list[str] = field(default_factory=list)

    def add(self, *lines: str) -> None:
        """Keep each line that is not yet there."""
        self.lines.extend(line for line in dict.fromkeys(lines) if line not in self.lines)

    def add_first(self, line: str) -> None:
        """Keep a line before all others."""
        self.lines[:] = [line, *(other for other in self.lines if other != line)]
