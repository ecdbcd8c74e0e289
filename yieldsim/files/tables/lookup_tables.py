"""The tables that sites and collectors name, from CSV to noun: skyline, acceptance, air, attenuation."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from yieldsim.base.clock import tdb_seconds
from yieldsim.base.errors import InputError, Problem, refusal
from yieldsim.base.model import AcceptanceBands, AttenuationTable, HorizonMask, OpticalDepthTable
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.thermal_model import GroundTable
from yieldsim.files.tables.band_columns import band_column, bands_of
from yieldsim.files.tables.csv_table import Column, Table, read_table, refuse_rows
from yieldsim.files.toml.context import Reading

CLOSING_DIFFERENCE = 1e-6
"""By how much a closing row at 360 may differ from the row at 0, whose value then counts: rounding in a table."""
WIDE_GAP_DEG = 30.0
"""A skyline with a wider gap than this between rows may be a partial one; a straight line across misleads."""

NARROWEST_ACCEPTANCE_DEG = 0.05
"""Half-width of the narrowest acceptance that is answered: a fifth of the Sun's radius at 1 au, a hundred times finer
than fixed concentrators have. What is narrower asks for steps of milliseconds."""
NARROW_HINT = "half the Sun's disc is 0.27 deg; are the angles in radians?"

AZIMUTH = Column("azimuth_deg", 0.0, 360.0, increases=True)
ELEVATION = Column("elevation_deg", -90.0, 90.0)
SOLAR_LONGITUDE = Column("solar_longitude_deg", 0.0, 360.0, increases=True)
OPTICAL_DEPTH = Column("optical_depth", 0.0, 100.0)
TIME = Column("time_utc", is_time=True, increases=True)
INCIDENCE = Column("incidence_deg", 0.0, 90.0, increases=True)
TRANSVERSE = Column("transverse_deg", -90.0, 90.0)
LONGITUDINAL = Column("longitudinal_deg", -90.0, 90.0)
ACCEPTANCE = Column("acceptance_fraction", 0.0, 1.0)
WAVELENGTH = Column("wavelength_nm", 100.0, 100_000.0, increases=True)
GRAIN = Column("grain_diameter_um", 1e-3, 1e5, increases=True)
REMOVAL = Column("removal_fraction", 0.0, 1.0)
SOLAR_TIME = Column("local_true_solar_time_hours", 0.0, 24.0, increases=True)
TEMPERATURE = Column("temperature_k", 1e-3, 5000.0)
ATTENUATION = Column("attenuation_db_per_km", 0.0, 1.0e6)


def horizon_mask(reading: Reading) -> HorizonMask:
    """A skyline: azimuth_deg increasing from 0 to 360, elevation_deg; one row means the same all around.

    A closing row at 360 must repeat the row at 0, to rounding. Raises InputError.
    """
    table = read_table(reading, "horizon table", (AZIMUTH, ELEVATION))
    azimuth_deg, elevation_deg = _circle(table, AZIMUTH.name, ELEVATION.name)
    if len(azimuth_deg) > 1:
        gaps = np.diff(np.append(azimuth_deg, azimuth_deg[0] + 360.0))
        widest = int(np.argmax(gaps))
        if gaps[widest] > WIDE_GAP_DEG:
            start, gap = azimuth_deg[widest], gaps[widest]
            reading.warn(
                f"no rows for {gap:g} deg of azimuth after {start:g}; a straight line is drawn across"
            )
    return HorizonMask(azimuth_deg=azimuth_deg, elevation_deg=elevation_deg)


def optical_depth_table(reading: Reading) -> OpticalDepthTable:
    """Optical depth by solar_longitude_deg (periodic) or by time_utc (its ends hold). Raises InputError."""
    table = read_table(
        reading, "optical depth table", (SOLAR_LONGITUDE, OPTICAL_DEPTH), (TIME, OPTICAL_DEPTH)
    )
    if table.moments:
        x = tdb_seconds(np.array(table.moments[TIME.name], dtype="datetime64[ns]"))
        return OpticalDepthTable(against="tdb_s", x=x, optical_depth=table.numbers[OPTICAL_DEPTH.name])
    x, optical_depth = _circle(table, SOLAR_LONGITUDE.name, OPTICAL_DEPTH.name)
    return OpticalDepthTable(against="solar_longitude_deg", x=x, optical_depth=optical_depth)


def dated_optical_depth(reading: Reading) -> OpticalDepthTable:
    """Optical depth by time_utc alone: a series as it was measured. Raises InputError."""
    table = optical_depth_table(reading)
    if table.against != "tdb_s":
        hint = "measured years are cut by date"
        raise refusal(reading.where, SOLAR_LONGITUDE.name, "is the column", TIME.name, hint)
    return table


def attenuation_table(reading: Reading) -> AttenuationTable:
    """Attenuation by wavelength_nm, at least two rows. Raises InputError."""
    table = read_table(reading, "attenuation table", (WAVELENGTH, ATTENUATION))
    if len(table) < 2:
        raise refusal(table.where, found="has one row", allowed="two or more wavelengths")
    return AttenuationTable(
        wavelength_nm=table.numbers[WAVELENGTH.name], attenuation_db_per_km=table.numbers[ATTENUATION.name]
    )


def ground_table(reading: Reading) -> GroundTable:
    """Temperature of the ground by local_true_solar_time_hours, at least two rows. Raises InputError."""
    table = read_table(reading, "ground temperature table", (SOLAR_TIME, TEMPERATURE))
    if len(table) < 2:
        raise refusal(table.where, found="has one row", allowed="two or more hours")
    return GroundTable(
        local_true_solar_time_hours=table.numbers[SOLAR_TIME.name],
        temperature_k=table.numbers[TEMPERATURE.name],
    )


GrainCells = tuple[FloatArray, FloatArray]


def grain_removal_table(reading: Reading) -> GrainCells:
    """Removal by grain_diameter_um, at least two rows: diameters and removals. Raises InputError."""
    table = read_table(reading, "grain removal table", (GRAIN, REMOVAL))
    if len(table) < 2:
        raise refusal(table.where, found="has one row", allowed="two or more diameters")
    return table.numbers[GRAIN.name], table.numbers[REMOVAL.name]


@dataclass(frozen=True, slots=True, eq=False)
class AcceptanceCells:
    """An acceptance table before its source is known: one angle, or two and a grid."""

    angles_deg: tuple[FloatArray, ...]
    acceptance_fraction: FloatArray
    bands: AcceptanceBands | None = None


def acceptance_cells(reading: Reading) -> AcceptanceCells:
    """Acceptance by incidence_deg, or by transverse_deg and longitudinal_deg. Raises InputError.

    One angle: rows increase from 0. Two: every pair of angles once, in any order, each angle starting at 0
    (then it is mirrored) or below. A table that ends above zero before 90 deg is cut off: a warning.
    Further columns may hold the acceptance of bands of wavelength, as acceptance_400_500_nm.
    """
    table = read_table(
        reading,
        "acceptance table",
        (TRANSVERSE, LONGITUDINAL, ACCEPTANCE),
        (INCIDENCE, ACCEPTANCE),
        also=band_column,
    )
    if INCIDENCE.name in table.numbers:
        return _round_cells(table, reading)
    return _grid_cells(table, reading)


def _round_cells(table: Table, reading: Reading) -> AcceptanceCells:
    incidence_deg, acceptance = table.numbers[INCIDENCE.name], table.numbers[ACCEPTANCE.name]
    if len(table) < 2:
        raise refusal(table.where, found="has one row", allowed="two or more angles")
    if incidence_deg[0] != 0.0:
        raise InputError(
            table.problem(0, INCIDENCE.name, f"begins at {incidence_deg[0]:g}", "a first row at 0")
        )
    _refuse_narrow(table, INCIDENCE.name, incidence_deg, acceptance)
    if incidence_deg[-1] < 90.0 and acceptance[-1] > 0.0:
        reading.warn(
            f"cut off: acceptance is still {acceptance[-1]:g} in the last row, at {incidence_deg[-1]:g} deg, "
            "and counts as 0 beyond"
        )
    return AcceptanceCells((incidence_deg,), acceptance, bands_of(table, acceptance))


def _grid_cells(table: Table, reading: Reading) -> AcceptanceCells:
    transverse, longitudinal = table.numbers[TRANSVERSE.name], table.numbers[LONGITUDINAL.name]
    rows_deg, row_of = np.unique(transverse, return_inverse=True)
    columns_deg, column_of = np.unique(longitudinal, return_inverse=True)
    problems: list[Problem] = []
    for name, angles in ((TRANSVERSE.name, rows_deg), (LONGITUDINAL.name, columns_deg)):
        if len(angles) < 2:
            problems.append(Problem(table.where, name, "has one value", "two or more"))
        elif angles[0] > 0.0:
            problems.append(Problem(table.where, name, f"begins at {angles[0]:g}", "0 (mirrored) or below"))
        elif angles[-1] <= 0.0:
            problems.append(Problem(table.where, name, f"ends at {angles[-1]:g}", "more than 0"))
    cell = row_of * len(columns_deg) + column_of
    first: dict[int, int] = {}
    for row, index in enumerate(cell.tolist()):
        if index in first:
            found = f"repeats the angles of line {table.lines[first[index]]}"
            problems.append(table.problem(row, "", found, hint="keep one row"))
        first.setdefault(index, row)
    for index in range(len(rows_deg) * len(columns_deg)):
        if index not in first and not problems:
            at = f"transverse_deg {rows_deg[index // len(columns_deg)]:g}"
            at += f", longitudinal_deg {columns_deg[index % len(columns_deg)]:g}"
            absent = len(rows_deg) * len(columns_deg) - len(first)
            problems.append(
                Problem(
                    table.where,
                    found=f"lacks {absent} of the pairs of angles, first {at}",
                    allowed="a full grid",
                )
            )
    refuse_rows(problems, table.where)
    grid = np.empty((len(rows_deg), len(columns_deg)))
    grid[row_of, column_of] = table.numbers[ACCEPTANCE.name]
    _refuse_narrow(table, TRANSVERSE.name, rows_deg, grid.max(axis=1))
    _refuse_narrow(table, LONGITUDINAL.name, columns_deg, grid.max(axis=0))
    _warn_cut_off(reading, rows_deg, grid, TRANSVERSE.name)
    _warn_cut_off(reading, columns_deg, grid.T, LONGITUDINAL.name)
    bands = bands_of(table, table.numbers[ACCEPTANCE.name])
    if bands is not None:
        cells = np.empty((len(bands.wavelength_nm), *grid.shape))
        cells[:, row_of, column_of] = bands.acceptance_fraction
        bands = replace(bands, acceptance_fraction=cells)
    return AcceptanceCells((rows_deg, columns_deg), grid, bands)


def _refuse_narrow(table: Table, name: str, angles_deg: FloatArray, value: FloatArray) -> None:
    """Raise InputError where no light is accepted, or all within less than NARROWEST_ACCEPTANCE_DEG from side to middle."""
    lit = np.flatnonzero(value > 0.0)
    if not lit.size:
        raise refusal(table.where, ACCEPTANCE.name, "is 0 in every row", "a row above 0")
    first, last = angles_deg[max(lit[0] - 1, 0)], angles_deg[min(lit[-1] + 1, len(angles_deg) - 1)]
    # a table that begins at 0 is mirrored there
    half_deg = last if first == 0.0 else 0.5 * (last - first)
    if half_deg < NARROWEST_ACCEPTANCE_DEG:
        found = f"holds all light within {half_deg:.3g} deg"
        allowed = f"{NARROWEST_ACCEPTANCE_DEG:g} deg or more"
        raise refusal(table.where, name, found, allowed, NARROW_HINT)


def _warn_cut_off(reading: Reading, angles_deg: FloatArray, grid: FloatArray, name: str) -> None:
    """Warn when the grid (angle, other angle) ends above zero at an outer edge."""
    for edge in (0, -1):
        if abs(angles_deg[edge]) < 90.0 and angles_deg[edge] != 0.0 and grid[edge].max() > 0.0:
            reading.warn(
                f"cut off: acceptance is still {grid[edge].max():g} at {name} {angles_deg[edge]:g}, "
                "and counts as 0 beyond"
            )


def _circle(table: Table, angle: str, value: str) -> tuple[FloatArray, FloatArray]:
    """An increasing angle around a circle and its values, the closing row at 360 checked and taken off."""
    angles, values = table.numbers[angle], table.numbers[value]
    if angles[-1] < 360.0:
        return angles, values
    if angles[0] > 0.0:
        return np.append(0.0, angles[:-1]), np.append(values[-1], values[:-1])
    if abs(values[-1] - values[0]) > CLOSING_DIFFERENCE:
        found = f"is {values[-1]:.10g} at 360 but {values[0]:.10g} at 0"
        raise InputError(table.problem(len(table) - 1, value, found, hint="they are the same direction"))
    return angles[:-1], values[:-1]
