"""[radiation] of a collector file: dose by the year, and what it takes from fibre and lens."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from yieldsim.base.radiation_model import Radiation
from yieldsim.files.toml.model import Faults, StrictModel, fault, stated


class RadiationTable(StrictModel):
    """[radiation]."""

    dose_gy_per_year: Annotated[float, stated(Radiation, "dose_gy_per_year")]
    start_dose_gy: Annotated[float, stated(Radiation, "start_dose_gy")] = 0.0
    fibre_db_per_km: Annotated[float, stated(Radiation, "fibre_db_per_km")] = 0.0
    fibre_exponent: Annotated[float, stated(Radiation, "fibre_exponent")] = 1.0
    fibre_saturation_db_per_km: Annotated[float, stated(Radiation, "fibre_saturation_db_per_km")] | None = (
        None
    )
    fibre_recovered_fraction: Annotated[float, stated(Radiation, "fibre_recovered_fraction")] = 0.0
    lens_dose_gy_per_year: Annotated[float, stated(Radiation, "lens_dose_gy_per_year")] | None = None
    lens_start_dose_gy: Annotated[float, stated(Radiation, "lens_start_dose_gy")] = 0.0
    lens_loss_per_kgy: Annotated[float, stated(Radiation, "lens_loss_per_kgy")] = 0.0

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """A dose that takes something; what shapes a loss only beside it."""
        if "fibre_db_per_km" not in given and "lens_loss_per_kgy" not in given:
            found = "is missing, as lens_loss_per_kgy is"
            yield fault("fibre_db_per_km", found, hint="what does the dose take?")
        for keys, of in (
            (("fibre_exponent", "fibre_saturation_db_per_km", "fibre_recovered_fraction"), "fibre_db_per_km"),
            (("lens_dose_gy_per_year", "lens_start_dose_gy"), "lens_loss_per_kgy"),
        ):
            for key in keys:
                if key in given and of not in given:
                    yield fault(key, f"stands without {of}", hint="it shapes that loss")

    def noun(self) -> Radiation:
        """The frozen noun."""
        return self.made(Radiation)
