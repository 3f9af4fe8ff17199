"""Live quantities of a running machine: superheat, subcooling, condensing, from the newest readings."""

from collections.abc import Mapping

from logger.model.value import Value
from logger.physics import superheat
from logger.refrigerant import Refrigerant
from logger.stages.high_side import high_side, liquid_side, value_of
from logger.stages.start_up.definition import Inputs


class MachineWatch:
    def update(self, now: Inputs) -> Mapping[str, Value]:
        if now.refrigerant is None:
            return {}
        return start_up_now(now.refrigerant, now.values, now.settings.high_side_limit)

    def advice(self, now: Inputs) -> tuple[str, ...]:
        return ()


def start_up_now(
    refrigerant: Refrigerant, readings: Mapping[str, Value], high_limit_pa: float | None = None
) -> dict[str, Value]:
    """Live quantities by name, from readings by measuring point (absolute Pa, K). Missing points give reasons."""
    suction, high = value_of(readings, "suction_pressure"), high_side(readings)
    return {
        "suction_saturation": superheat.dew_saturation(refrigerant, suction, "suction pressure"),
        "suction_superheat": superheat.suction_superheat(
            refrigerant, suction, value_of(readings, "suction_temperature")
        ),
        "discharge_superheat": superheat.discharge_superheat(
            refrigerant, high, value_of(readings, "discharge_temperature")
        ),
        "subcooling": superheat.subcooling(
            refrigerant, liquid_side(readings), value_of(readings, "liquid_temperature")
        ),
        "condensing_saturation": superheat.dew_saturation(refrigerant, high, "high-side pressure"),
        "condensing_over_ambient": superheat.condensing_over_ambient(
            refrigerant, high, value_of(readings, "ambient_temperature")
        ),
        "approach": superheat.approach(refrigerant, suction, value_of(readings, "leaving_fluid_temperature")),
        "high_side_margin": superheat.high_side_margin(high, high_limit_pa),
    }
