"""The frozen nouns of the habitat: loads and when they ask, the store, the life, how sure the inputs are."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated, Literal

from yieldsim.base.model import OpticalDepthTable
from yieldsim.base.numerics.frozen_table import FrozenTable
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.ranges import Range

LoadKind = Literal["light", "heat", "electric"]
Priority = Literal["essential", "deferrable", "sheddable"]
Clock = Literal["solar", "utc"]
AmountUnit = Literal["W", "lm", "umol/s"]
StoreKind = Literal["battery", "heat"]
ReliabilityMeasure = Literal["energy", "hours"]
Distribution = Literal["normal", "uniform", "triangular", "lognormal", "measured"]

PRIORITIES: tuple[Priority, ...] = ("essential", "deferrable", "sheddable")


@dataclass(frozen=True, slots=True, eq=False, repr=False, kw_only=True)
class LoadSeries(FrozenTable):
    """An amount over time; each row holds until the next.

    against   "utc": x is nanoseconds of UTC since 1970, the last row lasts as long as the one before it;
              "hour": x is the hour of the day on the load's clock, the rows repeat daily
    """

    columns = ("x", "amount")
    against: Literal["utc", "hour"]
    x: Annotated[FloatArray, Range(increases=True)]
    amount: Annotated[FloatArray, Range(0.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """When a load asks; all conditions hold together.

    windows            hours of the day (from, to), to <= 24, on the clock; empty: always
    clock              "solar": the site's true solar time, 24 hours to the SOLAR day (29.5 days on the
                       Moon); or "utc"
    weekdays           0 Monday to 6 Sunday; empty: all. The week begins with the UTC date of the run's first row and goes on by
                       days of the clock: UTC dates, or solar days cut at local midnight
    mission_days       ranges (first, last), both counted in, day 1 begins with the run: days of 24 h on the
                       utc clock, solar days cut at local midnight on the solar clock; empty: all
    monthly_factors    12 factors by UTC month; empty: 1
    seasonal_factors   rows (solar_longitude_deg, factor), linear and periodic; empty: 1
    """

    windows: tuple[tuple[float, float], ...] = ()
    clock: Clock = "solar"
    weekdays: tuple[int, ...] = ()
    mission_days: tuple[tuple[int, int], ...] = ()
    monthly_factors: tuple[float, ...] = ()
    seasonal_factors: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """One thing that the habitat asks for.

    amount                    in `unit`, where it is used; a series takes its place where it changes
    direct_efficiency         useful power per power of delivered light: luminaire, absorber or converter
    from_storage_efficiency   useful power per power out of the store; 0: the store can't serve it
    lamp_yield                light in lm or umol/s: what a lamp gives per watt out of the store;
                              takes the place of from_storage_efficiency
    window_hours              deferrable: how long it can wait
    most_power_w              deferrable: most it can take at once when it catches up; None: no limit
    rank                      who of one priority goes first where there is not enough, 1 before 2; the same:
                              by `planning.habitat.serving_order`
    is_shield                 the electric power of the dust shields, from the estimate, instead of an amount
    """

    name: str
    kind: LoadKind
    unit: AmountUnit = "W"
    amount: Annotated[float, Range(0.0)] | LoadSeries = 0.0
    is_shield: bool = False
    schedule: Schedule = Schedule()
    direct_efficiency: Annotated[float, Range(above=0.0, high=1.0)] = 1.0
    from_storage_efficiency: Annotated[float, Range(0.0, 10.0)] = 1.0
    lamp_yield: Annotated[float, Range(above=0.0, high=683.0)] | None = None
    priority: Priority = "essential"
    window_hours: Annotated[float, Range(above=0.0, high=1.0e5)] = 0.0
    most_power_w: Annotated[float, Range(above=0.0, high=1.0e9)] | None = None
    rank: Annotated[int, Range(1, 1000, whole=True)] = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Storage:
    """A battery or a heat store, filled from delivered light.

    converter_efficiency   light to what enters the store (electricity, heat)
    charge_power_w         most that may enter, after the converter; None: no limit
    discharge_power_w      most that may leave; None: no limit
    standing_loss_per_day  share of what is stored lost per Earth day
    least_fraction         no load draws it below this share of the capacity; standing loss goes on below
    reserve_fraction       below this share only essential loads are served, and the store fills before
                           others get light
    fade_per_cycle         share of the new capacity lost per full equivalent cycle
    fade_per_year          and per year of 365.25 days
    """

    kind: StoreKind = "battery"
    capacity_kwh: Annotated[float, Range(0.0, 1.0e9)]
    converter_efficiency: Annotated[float, Range(above=0.0, high=1.0)] = 1.0
    charge_efficiency: Annotated[float, Range(above=0.0, high=1.0)] = 1.0
    discharge_efficiency: Annotated[float, Range(above=0.0, high=1.0)] = 1.0
    charge_power_w: Annotated[float, Range(above=0.0, high=1.0e9)] | None = None
    discharge_power_w: Annotated[float, Range(above=0.0, high=1.0e9)] | None = None
    standing_loss_per_day: Annotated[float, Range(low=0.0, below=1.0)] = 0.0
    initial_fraction: Annotated[float, Range(0.0, 1.0)] = 1.0
    least_fraction: Annotated[float, Range(low=0.0, below=1.0)] = 0.0
    reserve_fraction: Annotated[float, Range(0.0, 1.0)] = 0.0
    fade_per_cycle: Annotated[float, Range(low=0.0, below=1.0)] = 0.0
    fade_per_year: Annotated[float, Range(low=0.0, below=1.0)] = 0.0
    mass_kg_per_kwh: Annotated[float, Range(above=0.0, high=1.0e9)] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShieldOutage:
    """The dust shields don't run from `fails_utc` until `repaired_utc` (ISO 8601); None: for good."""

    fails_utc: str
    repaired_utc: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """What happens over the years besides the dust of the site and the darkening of the fibre.

    lens_darkening_per_year    share of the lens' transmittance lost a year, compounding
    visit_every_days           a cleaning visit every so many days; None: never
    visit_removes              share of the dust present that a visit takes off
    """

    years: Annotated[int, Range(1, 100, whole=True)]
    lens_darkening_per_year: Annotated[float, Range(low=0.0, below=1.0)] = 0.0
    visit_every_days: Annotated[float, Range(low=1.0, high=1.0e5)] | None = None
    visit_removes: Annotated[float, Range(0.0, 1.0)] = 1.0
    shield_outages: tuple[ShieldOutage, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureRate:
    """One item fails every so many days of service on average, and its repair takes so many."""

    every_days: Annotated[float, Range(above=0.0, high=1.0e6)]
    repair_days: Annotated[float, Range(above=0.0, high=1.0e6)]

    @property
    def down_fraction(self) -> float:
        """Share of the time that it is down."""
        return self.repair_days / (self.every_days + self.repair_days)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPlan:
    """All of a load file.

    reliability                   share of the essential need (or of hours) that sizing must reach
    luminous_efficacy_lm_per_w    of the delivered light; None: that of the estimate's delivered spectrum
    photon_yield_umol_per_j       photosynthetic photons per joule of it; None: the same
    light_per_electric            kWh of delivered light that 1 kWh of electricity is worth; None: not stated
    failures                      rates by what fails: unit, mount, shields, half_store
    demand_ratio             the loads ask so many times what the file says of each; counted in their amounts already
    """

    name: str
    loads: tuple[Load, ...]
    storage: Storage | None = None
    reliability: Annotated[float, Range(above=0.0, high=1.0)] = 1.0
    reliability_of: ReliabilityMeasure = "energy"
    luminous_efficacy_lm_per_w: Annotated[float, Range(above=0.0, high=683.0)] | None = None
    photon_yield_umol_per_j: Annotated[float, Range(above=0.0, high=10.0)] | None = None
    life: Life | None = None
    light_per_electric: Annotated[float, Range(0.0, 1.0e4)] | None = None
    failures: tuple[tuple[str, FailureRate], ...] = ()
    demand_ratio: Annotated[float, Range(above=0.0, high=1.0e6)] = 1.0

    def demanding(self, multiplier: float) -> LoadPlan:
        """The same with loads that ask so many times as much; what dust shields draw is as it is."""
        if multiplier == 1.0:
            return self

        def scaled(load: Load) -> Load:
            if load.is_shield:
                return load
            amount = load.amount
            if isinstance(amount, LoadSeries):
                return replace(load, amount=replace(amount, amount=amount.amount * multiplier))
            return replace(load, amount=amount * multiplier)

        return replace(
            self,
            loads=tuple(scaled(load) for load in self.loads),
            demand_ratio=self.demand_ratio * multiplier,
        )


# ---------------------------------------------------------------- how sure


@dataclass(frozen=True, slots=True)
class Doubt:
    """A quantity that may be uncertain: what a drawn number means, and its physical range (clipped to it)."""

    meaning: str
    span: tuple[float, float]


MEASURED_YEAR = "optical_depth_year"
"""The one input that is drawn from years as they were measured."""

DOUBTS: dict[str, Doubt] = {
    "irradiance": Doubt("factor on the sunlight", (0.0, 10.0)),
    "optical_depth": Doubt("factor on the optical depth", (0.0, 100.0)),
    MEASURED_YEAR: Doubt(
        "number of the measured year whose optical depth takes the place of the site's", (0.0, 1e4)
    ),
    "horizon_height_deg": Doubt("degrees added to the skyline", (-30.0, 30.0)),
    "mount_tilt_deg": Doubt("degrees added to the tilt of every mount", (-30.0, 30.0)),
    "mount_azimuth_deg": Doubt("degrees added to the azimuth of every mount", (-180.0, 180.0)),
    "acceptance_scale": Doubt("factor on the acceptance", (0.0, 10.0)),
    "acceptance_width": Doubt("factor on the angles of the acceptance curve", (0.1, 10.0)),
    "film_transmittance": Doubt("transmittance of the shield's film", (0.0, 1.0)),
    "dust_rate": Doubt("factor on the dust's loss per day", (0.0, 1000.0)),
    "shield_removal": Doubt("share of the dust that a cycle removes", (0.0, 1.0)),
    "grain_median": Doubt("factor on the median diameter of the dust's grains", (0.01, 100.0)),
    "fibre_coupling": Doubt("coupling between funnel and fibre", (0.0, 1.0)),
    "fibre_attenuation": Doubt("factor on the fibre's attenuation", (0.0, 100.0)),
    "fibre_darkening": Doubt("factor on the fibre's darkening per year", (0.0, 100.0)),
    "radiation_dose": Doubt("factor on the dose of radiation", (0.0, 1000.0)),
    "load": Doubt("factor on what every load asks", (0.0, 100.0)),
    "storage_capacity": Doubt("factor on the store's capacity", (0.0, 100.0)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class UncertainInput:
    """One input that is not known well.

    what           a key of DOUBTS
    parameters     normal: mean, standard deviation; uniform: low, high; triangular: low, likely, high;
                   lognormal: median, standard deviation of the natural logarithm; measured: number of years, each as likely
    series         optical depth by date, of which whole years are drawn (measured)
    """

    what: str
    distribution: Distribution
    parameters: tuple[float, ...]
    series: OpticalDepthTable | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UncertainPlan:
    """All of an uncertainty file."""

    inputs: tuple[UncertainInput, ...]
    draws: int = 1024
    seed: Annotated[int, Range(0, 2**31, whole=True)] = 1
