"""The boards of the simulated rig: which channels each device has, with sensors as the trade uses them.

Ratios of a 0.5-4.5 V transducer on 5 V, ohms of thermistors and platinum, a 4-20 mA valve position, a 0-10 V level,
a scale and a vacuum gauge that speak in their own units.
"""

from dataclasses import dataclass

from firmware_protocol.codes import Quantity, SensorKind
from sim_device.scenario import Scenario
from sim_device.sensors import ChannelSpec

_NTC_10K = (10000.0, 298.15, 3977.0)  # R25 in Ohm, T25 in K, beta in K
_NTC_STEINHART = (1.1279e-3, 2.3429e-4, 8.7298e-8)  # a usual 10 kOhm curve


@dataclass(frozen=True, slots=True)
class BoardSpec:
    """name: for people and the rig file. outputs: relays held closed by permit. buffer_frames: kept for resending."""

    name: str
    model: str
    channels: tuple[ChannelSpec, ...]
    outputs: int = 0
    buffer_frames: int = 12000
    tick_rate_hz: int = 1000


def _gauge_psi(point: str, label: str, high: float = 500.0, period_ms: int = 200) -> ChannelSpec:
    """A compound pressure transducer: -14.7 to `high` psig over 10 to 90 % of its supply."""
    return ChannelSpec(
        point, label, Quantity.GAUGE_PRESSURE, "[psi]", kind=SensorKind.RATIOMETRIC,
        parameters=(0.1, -14.7, 0.9, high), period_ms=period_ms, range_low=-15.5, range_high=high * 1.02,
        accuracy=high * 0.005, noise=high * 6e-5,
    )  # fmt: skip


def _absolute_bar(point: str, label: str, high: float, period_ms: int) -> ChannelSpec:
    return ChannelSpec(
        point, label, Quantity.ABSOLUTE_PRESSURE, "bar", kind=SensorKind.RATIOMETRIC,
        parameters=(0.1, 0.0, 0.9, high), period_ms=period_ms, range_low=0.0, range_high=high, accuracy=high * 0.005,
        noise=high * 5e-5,
    )  # fmt: skip


def _thermistor(point: str, label: str, period_ms: int = 200, steinhart: bool = False) -> ChannelSpec:
    kind = SensorKind.NTC_STEINHART_HART if steinhart else SensorKind.NTC_BETA
    return ChannelSpec(
        point, label, Quantity.TEMPERATURE, "Cel", exponent=-1, kind=kind,
        parameters=_NTC_STEINHART if steinhart else _NTC_10K, period_ms=period_ms, range_low=-40.0, range_high=125.0,
        accuracy=0.3, noise=0.02,
    )  # fmt: skip


def _recovery_board() -> BoardSpec:
    return BoardSpec(
        "recovery board",
        "SIM-REC",
        (
            _gauge_psi("recovery_inlet_pressure", "Recovery inlet"),
            _gauge_psi("recovery_outlet_pressure", "Recovery outlet", 800.0),
            _gauge_psi("cylinder_pressure", "Cylinder", 800.0),
            _thermistor("recovery_inlet_temperature", "Recovery inlet line"),
            _thermistor("cylinder_temperature", "Cylinder shell"),
            _thermistor("ambient_temperature", "Ambient", 1000),
            ChannelSpec(
                "barometer", "Barometer", Quantity.ABSOLUTE_PRESSURE, "kPa", exponent=-3, period_ms=1000,
                range_low=30.0, range_high=110.0, accuracy=0.1, noise=0.003,
            ),
        ),
        outputs=1,
    )  # fmt: skip


def _scale_board(scenario: Scenario) -> BoardSpec:
    step = 10.0**scenario.scale_exponent
    return BoardSpec(
        "scale",
        "SIM-SCALE",
        (
            ChannelSpec(
                "cylinder_mass", "Platform scale", Quantity.MASS, scenario.scale_unit,
                exponent=scenario.scale_exponent, period_ms=200, range_low=-20.0,
                range_high=440.0 if scenario.scale_unit == "[lb_av]" else 200.0, accuracy=step, noise=0.25 * step,
            ),
        ),
        outputs=1,
    )  # fmt: skip


def _vacuum_board() -> BoardSpec:
    return BoardSpec(
        "vacuum board",
        "SIM-VAC",
        (
            ChannelSpec(
                "vacuum", "Vacuum gauge", Quantity.ABSOLUTE_PRESSURE, "um[Hg]", exponent=0, period_ms=500,
                range_low=1.0, range_high=25000.0, accuracy=5.0, accuracy_of_reading=0.05, noise=0.5,
                noise_of_reading=0.003,
            ),
            ChannelSpec(
                "system_pressure", "System", Quantity.ABSOLUTE_PRESSURE, "kPa", kind=SensorKind.RATIOMETRIC,
                parameters=(0.1, 0.0, 0.9, 3500.0), period_ms=500, range_low=0.0, range_high=3500.0, accuracy=3.5,
                noise=0.15,
            ),
            ChannelSpec(
                "system_temperature", "System pipe", Quantity.TEMPERATURE, "Cel", exponent=-3,
                kind=SensorKind.RTD_IEC60751, parameters=(1000.0,), period_ms=500, range_low=-50.0, range_high=150.0,
                accuracy=0.3, noise=0.01,
            ),
        ),
    )  # fmt: skip


def _machine_board() -> BoardSpec:
    period = 500
    return BoardSpec(
        "machine board",
        "SIM-MACHINE",
        (
            _absolute_bar("suction_pressure", "Suction", 25.0, period),
            _thermistor("suction_temperature", "Suction line", period),
            _absolute_bar("liquid_pressure", "Liquid", 40.0, period),
            _thermistor("liquid_temperature", "Liquid line", period),
            _absolute_bar("discharge_pressure", "Discharge", 40.0, period),
            _thermistor("discharge_temperature", "Discharge line", period),
            ChannelSpec(
                "valve_position", "Expansion valve", Quantity.RATIO, "%", exponent=-7, kind=SensorKind.CURRENT_LOOP,
                parameters=(0.004, 0.0, 0.020, 100.0), period_ms=period, range_low=-1.0, range_high=101.0,
                accuracy=1.0, noise=0.05,
            ),
            ChannelSpec(
                "liquid_level", "Evaporator level", Quantity.RATIO, "%", exponent=-4, kind=SensorKind.VOLTAGE,
                parameters=(0.0, 0.0, 10.0, 100.0), period_ms=period, range_low=-1.0, range_high=101.0, accuracy=2.0,
                noise=0.1,
            ),
            _thermistor("entering_fluid_temperature", "Fluid entering", period, steinhart=True),
            _thermistor("leaving_fluid_temperature", "Fluid leaving", period, steinhart=True),
        ),
    )  # fmt: skip


def boards(scenario: Scenario) -> tuple[BoardSpec, ...]:
    """The rig's devices: recovery board, scale, vacuum board, machine board."""
    return (_recovery_board(), _scale_board(scenario), _vacuum_board(), _machine_board())
