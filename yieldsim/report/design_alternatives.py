"""What else would serve, beside a design: units turned by hand, a second site joined to the first. In words, for text and pages."""

from __future__ import annotations

from yieldsim.base.results.design import DesignResult, JoinedResult
from yieldsim.report.layout import style
from yieldsim.report.layout.sheet import Tabled


def turn_rows(summary: DesignResult) -> list[list[str]]:
    """Turns by hand, units, storage, mass and bound; the design first, a tracker last where the file tells of one."""
    rows = [
        [
            "none: the design" if row["turns"] == 0 else f"{row['turns']}",
            "–" if row["units"] is None else str(row["units"]),
            style.energy(row["storage_kwh"]),
            style.quantity(row["mass_kg"], "kg", 4),
            style.quantity(row["least_kg"], "kg", 4),
        ]
        for row in summary["hand_turns"]
    ]
    tracker = summary["tracker"]
    if rows and tracker is not None:
        rows.append(
            [
                "always: a tracker",
                "–" if tracker["units"] is None else str(tracker["units"]),
                style.energy(tracker["storage_kwh"]),
                style.quantity(tracker["mass_kg"], "kg", 4),
                "–",
            ]
        )
    return rows


def joined_rows(joined: JoinedResult) -> list[list[str]]:
    """The design, the other site alone, and both, as cells: units here and there, storage, mass and bound."""
    rows = [["here alone: the design", "", "", "", style.quantity(joined["here_alone_kg"], "kg", 4), ""]]
    for words, system in (
        (f"{joined['site']} alone", joined["there_alone"]),
        ("both, joined", joined["both"]),
    ):
        if system is None:
            rows.append([words, "–", "–", "–", "none serves", "–"])
            continue
        rows.append(
            [
                words,
                str(system["units_here"]),
                str(system["units_there"]),
                style.energy(system["storage_kwh"]),
                style.quantity(system["mass_kg"], "kg", 4),
                style.quantity(system["least_kg"], "kg", 4),
            ]
        )
    return rows


def joined_sentence(joined: JoinedResult) -> str:
    """How the lights of the two sites complement each other, and which is lightest."""
    named = {"here": "here alone", "there": f"{joined['site']} alone", "both": "both sites together"}
    return (
        f"{joined['site']}, over {joined['length_km']:g} km of {joined['kind']} that pass {style.percent(joined['efficiency'])}: lit "
        f"{style.percent(joined['lit_here_fraction'])} of the time here, {style.percent(joined['lit_there_fraction'])} there, "
        f"{style.percent(joined['lit_either_fraction'])} at either; longest dark {style.duration(joined['dark_here_hours'])}, "
        f"{style.duration(joined['dark_there_hours'])} and {style.duration(joined['dark_both_hours'])}. Lightest: "
        f"{named[joined['lightest']]}."
    )


def alternatives(summary: DesignResult) -> list[Tabled]:
    """The tables of a page."""
    tables = []
    turns = turn_rows(summary)
    if turns:
        tables.append(
            Tabled(
                head=["Turns by hand", "Units", "Storage", "Mass", "No system below"],
                rows=turns,
                wide=[0.32, 0.12, 0.18, 0.18, 0.2],
                heading="The price of nothing moving: units turned by hand",
                caption="Each unit at moments of its own, the best by dynamic programming between the orientations priced.",
            )
        )
    joined = summary["joined"]
    if joined is not None:
        tables.append(
            Tabled(
                head=["Units", "Here", "There", "Storage", "Mass", "No system below"],
                rows=joined_rows(joined),
                wide=[0.3, 0.1, 0.1, 0.15, 0.17, 0.18],
                heading="A second site, joined",
                caption=joined_sentence(joined),
            )
        )
    return tables
