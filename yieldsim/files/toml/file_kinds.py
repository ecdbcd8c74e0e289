"""The kinds of TOML input files and the keys at the top of each: what a file looks like, where a key belongs."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from yieldsim.base.errors import likely

TOP_KEYS: dict[str, frozenset[str]] = {
    "site": frozenset(
        {
            "name", "body", "latitude_deg", "latitude_planetographic_deg", "longitude_deg", "elevation_m",
            "mast_height_m", "horizon", "atmosphere", "dust", "ground",
        }
    ),
    "collector": frozenset(
        {"name", "aperture_area_m2", "mass_kg", "mounts", "acceptance", "shield", "fibre", "thermal", "radiation"}
    ),
    "body": frozenset(
        {
            "name", "ephemeris_target", "orbit_target", "equatorial_radius_km", "polar_radius_km",
            "mean_solar_day_hours", "rotation", "orientation_kernel", "occulters", "atmosphere",
            "lowest_ground_m", "highest_ground_m",
        }
    ),
    "prescription": frozenset(
        {"name", "lens", "fibre", "funnel", "collar", "film", "tolerances", "band", "heat", "materials"}
    ),
    "load": frozenset(
        {"name", "demand_ratio", "loads", "storage", "sizing", "spectrum", "life", "exchange", "failures"}
    ),
    "uncertainty": frozenset({"draws", "seed", "uncertain"}),
    "design": frozenset(
        {
            "name", "sites", "mast_heights_m", "collectors", "load", "uncertain", "objective", "confidence", "facings",
            "most_units", "masses", "fibre_run", "vary", "store", "tracker", "link", "hand_turns", "phases",
            "growth",
        }
    ),
}  # fmt: skip
"""By the role of a file: what `StrictModel` of that kind knows; a test holds them equal."""


def alikeness(keys: Iterable[str], kind: str) -> float:
    """How many of a file's keys belong to a kind, misspelt ones counted half."""
    known = TOP_KEYS[kind]
    return sum(1.0 if key in known else 0.5 if likely(key, known) else 0.0 for key in keys)


def likeliest(keys: Collection[str]) -> str | None:
    """The kind with most of the keys; None where no kind has any.

    >>> likeliest(["name", "mounts", "acceptanse"]), likeliest(["zebra"])
    ('collector', None)
    """
    best = max(TOP_KEYS, key=lambda kind: alikeness(keys, kind))
    return best if alikeness(keys, best) > 0.0 else None


def taken_for(keys: Collection[str], role: str) -> str | None:
    """The kind that a file clearly is when it is read as another; None where there is no saying so.

    A file with all its keys known to the role is never taken for another.

    >>> taken_for(["name", "aperture_area_m2", "mounts"], "site")
    'collector'
    """
    best = likeliest(keys)
    if best is None or role not in TOP_KEYS or alikeness(keys, best) <= alikeness(keys, role):
        return None
    return best


def home_of(key: str, role: str) -> str:
    """In which kinds of file a key stands at the top, when not in the role's own: a hint, or empty words.

    >>> home_of("fibre", "site")
    'it belongs in a collector or prescription file'
    """
    homes = [kind for kind, known in TOP_KEYS.items() if key in known]
    if not homes or role in homes or role not in TOP_KEYS:
        return ""
    return f"it belongs in {with_article(' or '.join(homes))} file"


def with_article(words: str) -> str:
    """Words with their indefinite article.

    >>> with_article("site"), with_article("uncertainty")
    ('a site', 'an uncertainty')
    """
    return f"{'an' if words[0] in 'aeiou' else 'a'} {words}"
