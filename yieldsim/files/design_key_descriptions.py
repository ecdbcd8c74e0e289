"""What the keys of a design file mean: part of `files.key_descriptions`."""

from __future__ import annotations

DESIGN: dict[str, dict[str, str]] = {
    "DesignFile": {
        "name": "Name of the design",
        "sites": "Candidate site files",
        "mast_heights_m": "Candidate heights of the mast, metres; each site's own when left out",
        "collectors": "Candidate collector files: their mounts are left aside",
        "load": "Load file: what must be served, as reliably as its [sizing] asks, in the run and repeated, and the store's kind",
        "uncertain": "Uncertainty file: the design that is found is drawn by it",
        "objective": "What is least: mass; units; or mass-per-kwh, of all light delivered by most_units units that serve the load",
        "confidence": "nominal: the share is served in the run as it is; P90: in 90 of 100 draws as well",
        "facings": "Orientations that units may take, [tilt, azimuth] or with roll, degrees; any when left out",
        "most_units": "No design has more units",
        "masses": "What each part weighs",
        "fibre_run": "How long a unit's fibre is by the mast; as in the collector file when left out",
        "store": "Which capacities the store may have",
        "vary": "Values of collectors' prescriptions that are tried, too",
        "tracker": "A mount that tracks the Sun, to compare with",
        "link": "A second site, joined to the chosen one by cable or fibre",
        "hand_turns": "Units turned by hand, to compare with",
        "phases": "Phases of a base that grows, for yieldsim growth: each begins with a flight",
        "growth": "What is least of the flights, and when the last phase ends",
    },
    "LinkTable": {
        "site": "Site file of the second site; its mast is as high as at the first",
        "kind": "cable: electricity, for electric loads alone; fibre: light",
        "length_km": "Length of the link, km",
        "loss_per_km_fraction": "Share lost on each km, compounding",
        "loss_db_per_km": "Or the loss in dB for each km",
        "ends_efficiency": "Efficiency of what stands at both ends of it, together",
        "kg_per_km": "The link, kg for each km",
        "ends_kg": "What stands at both ends, kg",
    },
    "HandTurnsTable": {
        "most_turns": "How often a unit is turned in the run at most, 1 to 12",
        "extra_kg": "What a mount that can be turned weighs more, kg",
    },
    "PhaseTable": {
        "name": "Name of the phase",
        "date": "When what its flight lands is in service, UTC",
        "load": "Load file of what is served from then on; the design's when left out",
        "demand_ratio": "Its loads ask so many times what that file says; dust shields draw what they draw",
        "most_kg": "What the flight may land, kg",
    },
    "GrowthTable": {
        "until": "End of the last phase, UTC; when left out it lasts as long as it is run",
        "least": "landed-mass: of all flights; largest-flight: of the heaviest of them",
        "discount_per_year": "A kilogram that lands a year later counts so much less, share",
    },
    "MassesTable": {
        "unit_kg": "One unit without shield and fibre, kg; the collector's mass_kg when left out",
        "shield_kg": "Dust shield of one unit, kg, where the collector has one",
        "mast_kg_per_m": "The mast, which carries all units, kg for each metre",
        "fibre_kg_per_m": "Fibre of one unit, kg for each metre",
        "store_kg_per_kwh": "The store, kg for each kWh; the load file's when left out",
        "converter_kg": "The converter, once, kg",
        "fixed_kg": "What every design has, kg",
    },
    "FibreRunTable": {
        "length_m": "Length of a unit's fibre without the mast, metres",
        "per_mast_m": "Metres more for each metre of mast",
    },
    "StoreTable": {
        "choices_kwh": "Capacities there are, kWh; any when left out; of a base that grows each flight may land several",
        "most_kwh": "The largest capacity, kWh; of a base that grows all that flights land",
    },
    "VaryTable": {
        "collector": "Name of the collector file, one of those above, whose acceptance is a prescription",
        "keys": "A key of the prescription with its table, funnel.length_m; linked ones behind commas, KEY,KEY*FACTOR",
        "values": "Values that the first key takes, each a candidate",
    },
    "TrackerTable": {
        "extra_kg": "What tracking adds to a unit, kg",
        "downtime_fraction": "Share of the light that a tracker misses",
        "stop_hours": "Its longest standstill, hours",
    },
}
