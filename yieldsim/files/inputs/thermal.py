"""[thermal] of a collector file and [ground] of a site file: insulation, parts, limits; how warm the ground is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from yieldsim.base.thermal_model import (
    BROADSIDE,
    FibreHeat,
    FunnelHeat,
    Ground,
    GroundTable,
    Insulation,
    JointHeat,
    Thermal,
)
from yieldsim.files.tables.lookup_tables import ground_table
from yieldsim.files.toml.model import Faults, StrictModel, exactly_one, fault, named_file, stated

LIMITS = ("lowest_k", "highest_k")
COVER_LIMITS = ("cover_lowest_k", "cover_highest_k")
GEL_LIMITS = ("gel_lowest_k", "gel_highest_k")


class PartTable(StrictModel):
    """A part with limits of its temperature."""

    limits: ClassVar[tuple[tuple[str, str], ...]] = (LIMITS,)

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """A lowest temperature below the highest."""
        for low, high in cls.limits:
            ends = [given.get(key) for key in (low, high)]
            if all(isinstance(end, int | float) for end in ends) and ends[0] >= ends[1]:  # type: ignore[operator]
                yield fault(high, f"is {ends[1]:g}", f"more than {low}, {ends[0]:g}")


class InsulationTable(PartTable):
    """[thermal.insulation]: radiation shields and their outer cover."""

    limits = (COVER_LIMITS,)
    layer_count: Annotated[int, stated(Insulation, "layer_count")]
    inner_emittance: Annotated[float, stated(Insulation, "inner_emittance")] = 0.03
    outer_emittance: Annotated[float, stated(Insulation, "outer_emittance")] = 0.03
    cover_inner_emittance: Annotated[float, stated(Insulation, "cover_inner_emittance")] | None = None
    conductance_w_m2_k: Annotated[float, stated(Insulation, "conductance_w_m2_k")] = 0.0
    layer_spacing_mm: Annotated[float, stated(Insulation, "layer_spacing_mm")] = 0.0
    seams_emittance: Annotated[float, stated(Insulation, "seams_emittance")] = 0.0
    cover_absorptance: Annotated[float, stated(Insulation, "cover_absorptance")]
    cover_emittance: Annotated[float, stated(Insulation, "cover_emittance")]
    cover_lowest_k: Annotated[float, stated(Insulation, "cover_lowest_k")] | None = None
    cover_highest_k: Annotated[float, stated(Insulation, "cover_highest_k")] | None = None


class FibreHeatTable(PartTable):
    """[thermal.fibre]: the cable inside its insulation."""

    diameter_mm: Annotated[float, stated(FibreHeat, "diameter_mm")]
    emittance: Annotated[float, stated(FibreHeat, "emittance")] = 0.85
    heat_capacity_j_m_k: Annotated[float, stated(FibreHeat, "heat_capacity_j_m_k")]
    lowest_k: Annotated[float, stated(FibreHeat, "lowest_k")] | None = None
    highest_k: Annotated[float, stated(FibreHeat, "highest_k")] | None = None


class FunnelHeatTable(PartTable):
    """[thermal.funnel]: insulated back, open mouth."""

    area_m2: Annotated[float, stated(FunnelHeat, "area_m2")]
    emittance: Annotated[float, stated(FunnelHeat, "emittance")] = 0.85
    mouth_area_m2: Annotated[float, stated(FunnelHeat, "mouth_area_m2")] | None = None
    mouth_emittance: Annotated[float, stated(FunnelHeat, "mouth_emittance")] = 0.8
    absorbed_fraction: Annotated[float, stated(FunnelHeat, "absorbed_fraction")]
    heat_capacity_j_k: Annotated[float, stated(FunnelHeat, "heat_capacity_j_k")]
    lowest_k: Annotated[float, stated(FunnelHeat, "lowest_k")] | None = None
    highest_k: Annotated[float, stated(FunnelHeat, "highest_k")] | None = None


class JointHeatTable(PartTable):
    """[thermal.joint]: where funnel and fibre meet."""

    limits = (LIMITS, GEL_LIMITS)
    area_m2: Annotated[float, stated(JointHeat, "area_m2")] = 0.0
    emittance: Annotated[float, stated(JointHeat, "emittance")] = 0.85
    absorbed_fraction: Annotated[float, stated(JointHeat, "absorbed_fraction")] = 1.0
    to_funnel_w_k: Annotated[float, stated(JointHeat, "to_funnel_w_k")]
    to_fibre_w_k: Annotated[float, stated(JointHeat, "to_fibre_w_k")]
    heat_capacity_j_k: Annotated[float, stated(JointHeat, "heat_capacity_j_k")]
    lowest_k: Annotated[float, stated(JointHeat, "lowest_k")] | None = None
    highest_k: Annotated[float, stated(JointHeat, "highest_k")] | None = None
    gel_lowest_k: Annotated[float, stated(JointHeat, "gel_lowest_k")] | None = None
    gel_highest_k: Annotated[float, stated(JointHeat, "gel_highest_k")] | None = None

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """Limits in order; a way out for what the joint takes."""
        yield from super().together(given)
        if all(given.get(key) == 0.0 for key in ("to_funnel_w_k", "to_fibre_w_k")) and not given.get(
            "area_m2"
        ):
            hint = "heat must leave the joint somewhere: give a conductance or area_m2"
            yield fault("to_fibre_w_k", "is 0, as to_funnel_w_k and area_m2 are", hint=hint)


class ThermalTable(StrictModel):
    """[thermal]: what the temperatures of a unit follow from."""

    insulation: InsulationTable
    fibre: FibreHeatTable
    funnel: FunnelHeatTable
    joint: JointHeatTable
    sunlit_fraction: Annotated[float, stated(Thermal, "sunlit_fraction")] = BROADSIDE
    ground_view: Annotated[float, stated(Thermal, "ground_view")] = 0.5

    def noun(self) -> Thermal:
        """The frozen noun."""
        return self.made(
            Thermal,
            insulation=self.insulation.made(Insulation),
            fibre=self.fibre.made(FibreHeat),
            funnel=self.funnel.made(FunnelHeat),
            joint=self.joint.made(JointHeat),
        )


class GroundTableOfSite(StrictModel):
    """[ground]: its temperature - one number, a table, or regolith under the site's own Sun - and what it sends back."""

    temperature_k: Annotated[float, stated(Ground, "temperature")] | None = None
    table: Annotated[GroundTable, named_file(ground_table)] | None = None
    model: Literal["regolith"] | None = None
    reflectance: Annotated[float, stated(Ground, "reflectance")] = 0.12
    emittance: Annotated[float, stated(Ground, "emittance")] = 0.95
    scale_depth_m: Annotated[float, stated(Ground, "scale_depth_m")] = 0.06
    sky_temperature_k: Annotated[float, stated(Ground, "sky_temperature_k")] = 3.0

    @classmethod
    def together(cls, given: Mapping[str, Any]) -> Faults:
        """One kind of temperature; what shapes regolith only beside it."""
        yield from exactly_one(given, "temperature_k", "table", "model")
        if "scale_depth_m" in given and "model" not in given:
            yield fault("scale_depth_m", "stands without model", hint='it belongs to model = "regolith"')

    def noun(self) -> Ground:
        """The frozen ground."""
        return self.made(Ground, temperature=self.temperature_k if self.table is None else self.table)
