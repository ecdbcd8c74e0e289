"""A Martian plain: what does dust in the air cost, and what does dust on the glass?

Rust Plain lies in the north of Mars; its optical depth by season is an invented usual year. Of the fan of the demo files the study
asks how the year's energy changes when the air is half or twice as dusty, and what becomes of it without dust shields. Only direct
light counts, so that a dusty season costs more here than it costs solar cells.

    python sites/studies/martian_plain.py [FOLDER]      prints the answer, writes martian_plain.png; some twenty seconds
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib as mpl
import matplotlib.pyplot as plt

import yieldsim

SITES = Path(__file__).resolve().parents[1]
WHOLE_SOLS = 20.0
"""A season of 30 deg that lasts less than this within the run is cut by its start or end."""


def main(folder: Path) -> None:
    """The same year in clearer and in dustier air, and without shields."""
    mpl.use("Agg")
    site = yieldsim.read_site(SITES / "rust-plain.toml")
    fan = yieldsim.read_collector(SITES / "sol-fan.collector.toml")
    table = site.optical_depth
    if not isinstance(table, yieldsim.OpticalDepthTable):
        raise TypeError("the plain's optical depth is a table by season")
    cases: dict[str, tuple[float, Any]] = {
        "air half as dusty": (0.5, fan),
        "usual air": (1.0, fan),
        "air twice as dusty": (2.0, fan),
        "usual air, no shields": (1.0, replace(fan, shield=None)),
    }
    figure, (seasons, bars) = plt.subplots(1, 2, figsize=(9.0, 3.2), layout="constrained")
    energies = []
    for words, (factor, collector) in cases.items():
        air = replace(table, optical_depth=factor * table.optical_depth)
        run = yieldsim.estimate(
            replace(site, optical_depth=air),
            collector,
            "2026-09-30",
            years=1,
            interval_minutes=120.0,
            tolerance=2e-2,
        )
        summary = run.yieldsim.summary
        energies.append(summary["delivered_kwh"])
        print(f"{words}: {energies[-1]:.1f} kWh a Martian year")
        whole = [row for row in summary["seasonal_kwh"] if row["solar_days"] >= WHOLE_SOLS]
        whole.sort(key=lambda row: float(row["solar_longitude_from_deg"]))
        seasons.plot(
            [row["solar_longitude_from_deg"] + 15.0 for row in whole],
            [row["kwh_per_solar_day"] for row in whole],
            marker="o",
            markersize=3.0,
            label=words,
        )
    seasons.set_xlabel("Solar longitude (deg)")
    seasons.set_ylabel("Energy (kWh a sol)")
    seasons.set_xticks(range(0, 361, 90))
    seasons.set_ylim(bottom=0.0)
    seasons.legend(fontsize="small")
    bars.barh(list(cases), energies)
    bars.invert_yaxis()
    bars.set_xlabel("Energy (kWh a Martian year)")
    folder.mkdir(parents=True, exist_ok=True)
    figure.savefig(folder / "martian_plain.png", dpi=120)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("reports"))
