"""A polar ridge: how does a ring of fixed funnels carry a small habitat through its longest night?

Lantern Ridge stands near the Moon's south pole and sees the Sun for most of the year, rolling along its horizon. Of the ring of the
demo files the study asks what it delivers month by month, how long the ridge is without the Sun, and how large a store the
habitat's loads need because of that.

    python sites/studies/polar_ridge.py [FOLDER]        prints the answer, writes polar_ridge.png; ten seconds or so
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np

import yieldsim

SITES = Path(__file__).resolve().parents[1]


def main(folder: Path) -> None:
    """Estimate a year, read its nights, serve the loads."""
    mpl.use("Agg")
    year = yieldsim.estimate(
        SITES / "lantern-ridge.toml", SITES / "wide.collector.toml", "2027-01-01", interval_minutes=120.0
    )
    summary = year.yieldsim.summary
    night = summary["worst_nights"]["nights"][0]
    served = json.loads(yieldsim.budget(year, SITES / "habitat.load.toml").attrs["summary"])
    units = served["collector"]["unit_count"]
    print(f"{units} units deliver {summary['delivered_kwh']:.0f} kWh of light in 2027")
    print(f"longest night {night['hours']:.0f} h, from {night['start_utc'][:16]}")
    print(
        f"a store of {served['storage']['capacity_kwh']:g} kWh is there, {served['smallest_storage_kwh']:.2f} kWh would do"
    )
    print(f"with that store {served['smallest_units']} units would do")

    figure, (power, trade) = plt.subplots(1, 2, figsize=(9.0, 3.2), layout="constrained")
    daily = year["delivered_power_w"].resample(time="1D").mean()
    power.plot(daily["time"], daily, linewidth=1.0)
    dark = [np.datetime64(night[f"{end}_utc"].rstrip("Z")) for end in ("start", "end")]
    power.axvspan(dark[0], dark[1], color="black", alpha=0.3, label="longest night")
    power.set_ylabel("Daily mean of the delivered power (W)")
    power.xaxis.set_major_formatter(mpl.dates.DateFormatter("%b"))
    power.legend()
    trade.plot(
        [row["units"] for row in served["trade_curve"]],
        [row["storage_kwh"] for row in served["trade_curve"]],
        marker="o",
    )
    trade.plot(units, served["storage"]["capacity_kwh"], "k^", label="as given")
    trade.set_xlabel("Units")
    trade.set_ylabel("Storage that holds the loads (kWh)")
    trade.set_ylim(bottom=0.0)
    trade.legend()
    folder.mkdir(parents=True, exist_ok=True)
    figure.savefig(folder / "polar_ridge.png", dpi=120)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("reports"))
