"""Live quantities of a running machine: superheat, subcooling, condensing, from the newest readings."""

from collections.abc import Mapping

from logger.model.value import Statement, Value, inapplicable, known
from logger.physics import superheat
from logger.refrigerant import Refrigerant
from logger.stages.high_side import high_side, liquid_side, value_of
from logger.stages.start_up.definition import Inputs

LIFT = 1.15  # discharge over suction, absolute: less no running compressor gives (common practice, no source)
AT_STANDSTILL = "the compressor is not running: high and low side are equal"
OF_A_RUNNING_COMPRESSOR = (
    "suction_saturation", "suction_superheat", "total_superheat", "discharge_superheat", "subcooling",
    "condensing_saturation", "condensing_over_ambient", "approach",
)  # fmt: skip


def stands_still(suction: Value, high: Value) -> bool:
    """Whether the pressures have come together. Absolute Pa; False where one of them is unknown."""
    return suction.number is not None and high.number is not None and high.number < LIFT * suction.number


class MachineWatch:
    def update(self, now: Inputs) -> Mapping[str, Value]:
        """The live quantities of a start-up, by name, in SI."""
        if now.refrigerant is None:
            return {}
        return start_up_now(
            now.refrigerant, now.values, now.settings.high_side_limit, now.settings.suction_line_drop or 0.0
        )

    def advice(self, now: Inputs) -> tuple[Statement, ...]:
        return ()


def start_up_now(
    refrigerant: Refrigerant,
    readings: Mapping[str, Value],
    high_limit_pa: float | None = None,
    suction_line_drop_pa: float = 0.0,
) -> dict[str, Value]:
    """Live quantities by name, from readings by measuring point (absolute Pa, K). Missing points give reasons."""
    suction = value_of(readings, "suction_pressure")
    high = high_side(readings)
    if stands_still(suction, high):
        still = {name: inapplicable("K", AT_STANDSTILL) for name in OF_A_RUNNING_COMPRESSOR}
        return {**still, "high_side_margin": superheat.high_side_margin(high, high_limit_pa)}
    at_compressor = value_of(readings, "compressor_suction_temperature")
    total = superheat.suction_superheat(refrigerant, suction, at_compressor)
    if suction.number is not None:
        suction = known(suction.number + suction_line_drop_pa, "Pa", suction.u, suction.note)
    return {
        "suction_saturation": superheat.dew_saturation(refrigerant, suction, "suction pressure"),
        "suction_superheat": superheat.suction_superheat(
            refrigerant, suction, value_of(readings, "suction_temperature")
        ),
        "total_superheat": total,
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
