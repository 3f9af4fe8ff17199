"""Speed of decoding, of the live computations and of a stage's analysis. Prints nothing: `run` gives the rows."""

import random
import time
from collections.abc import Callable

from firmware_protocol.codes import Quantity, SampleType, SensorKind
from firmware_protocol.messages import Describe
from logger.decode.channel import DeviceDecoder
from logger.model.rig import RigChannel
from logger.model.sample import Series
from logger.model.value import known
from logger.refrigerant import find
from logger.scale.ledger import MassLedger
from logger.scale.rate import MassRate
from logger.stages.charging.live import ChargingWatch
from logger.stages.recovery.analysis import analyse_recovery
from logger.stages.recovery.level import required_level
from logger.stages.recovery.live import RecoveryWatch
from logger.stages.start_up.analysis import analyse_start_up
from logger.stages.start_up.live import start_up_now

Row = tuple[str, str, str, bool]
TWELVE_HOURS_S = 43_200


def run() -> list[Row]:
    """(name, value, target, met) of each."""
    return [_decode(), _mass_rate(), *_live(), _recovery_analysis(), _start_up_analysis()]


def _best(action: Callable[[], object], repeat: int, times: int) -> float:
    """Seconds a call, the best of `times` rounds: the machine's own noise only ever adds."""
    best = float("inf")
    for _ in range(times):
        began = time.perf_counter()
        for _ in range(repeat):
            action()
        best = min(best, (time.perf_counter() - began) / repeat)
    return best


def _channel(index: int, quantity: int, unit: str, exponent: int, kind: int, parameters: tuple[float, ...]) -> Describe:
    return Describe(1, index, quantity, unit, SampleType.I32, exponent, 100, sensor_kind=kind, parameters=parameters)


def _decode() -> Row:
    transducer = (Quantity.GAUGE_PRESSURE, "[psi]", -6, SensorKind.RATIOMETRIC, (0.1, 0.0, 0.9, 500.0))
    loop = (Quantity.ABSOLUTE_PRESSURE, "bar", -7, SensorKind.CURRENT_LOOP, (4e-3, 0.0, 20e-3, 40.0))
    ntc = (Quantity.TEMPERATURE, "Cel", -1, SensorKind.NTC_BETA, (10e3, 298.15, 3950.0))
    steinhart = (Quantity.TEMPERATURE, "Cel", -1, SensorKind.NTC_STEINHART_HART, (1.1292e-3, 2.3411e-4, 8.7755e-8))
    pt1000 = (Quantity.TEMPERATURE, "Cel", -3, SensorKind.RTD_IEC60751, (1000.0,))
    scale = (Quantity.MASS, "[lb_av]", -1, SensorKind.DIRECT, ())
    sensors = [transducer] * 4 + [loop] * 3 + [ntc] * 4 + [steinhart] + [pt1000] * 3 + [scale]
    raws = [300_000] * 4 + [100_000] * 3 + [100_000] * 4 + [100_000] + [900_000] * 3 + [500]
    points = {Quantity.MASS: "cylinder_mass", Quantity.TEMPERATURE: "suction_temperature"}
    described = [_channel(i, *sensor) for i, sensor in enumerate(sensors)]
    decoder = DeviceDecoder(
        described, [RigChannel(d.index, points.get(Quantity(d.quantity), "suction_pressure")) for d in described]
    )
    scan = list(enumerate(raws))
    assert all(sample.value is not None for sample in decoder.decode(0, scan, 101_325.0))
    seconds = _best(lambda: decoder.decode(0, scan, 101_325.0), 1000, 5)
    return "decode a scan of 16 channels", f"{seconds * 1e6:.1f} us", "< 60 us", seconds < 60e-6


def _mass_rate() -> Row:
    rng = random.Random(1)
    readings = [round((30 + 0.0015 * i + rng.gauss(0, 0.01)) / 0.045) * 0.045 for i in range(10_000)]
    rate = MassRate(resolution_kg=0.045)
    for i, reading in enumerate(readings[:7000]):
        rate.update(0.1 * i, reading)  # fill its ten minutes first
    began, worst = time.perf_counter(), 0.0
    for i, reading in enumerate(readings[7000:]):
        before = time.perf_counter()
        rate.update(700 + 0.1 * i, reading)
        worst = max(worst, time.perf_counter() - before)
    mean = (time.perf_counter() - began) / 3000
    value = f"{mean * 1e6:.1f} us mean, {worst * 1e3:.2f} ms worst"
    return "mass rate, one reading at 10 Hz", value, "< 50 us mean", mean < 50e-6


def _live() -> list[Row]:
    refrigerant = find("R-407C")
    readings = {
        "suction_pressure": known(5.8e5, "Pa", 2e3),
        "suction_temperature": known(285.0, "K", 0.3),
        "liquid_pressure": known(1.8e6, "Pa", 5e3),
        "liquid_temperature": known(308.0, "K", 0.3),
        "discharge_pressure": known(1.85e6, "Pa", 5e3),
        "discharge_temperature": known(350.0, "K", 0.5),
        "ambient_temperature": known(298.0, "K", 0.3),
        "leaving_fluid_temperature": known(280.0, "K", 0.2),
        "recovery_inlet_pressure": known(6e5, "Pa", 2e3),
        "recovery_inlet_temperature": known(284.0, "K", 0.3),
        "recovery_outlet_pressure": known(1.4e6, "Pa", 5e3),
        "cylinder_pressure": known(1.2e6, "Pa", 5e3),
    }
    watch, clock = RecoveryWatch(refrigerant, known(98.0, "kg")), [0.0]
    ledger = MassLedger(0.045).begin(0.0, "A", 30.0)
    rate, moved, allowed = known(0.004, "kg/s", 1e-5), known(20.0, "kg", 0.05), known(15.0, "kg", 0.1)
    charging = ChargingWatch(known(50.0, "kg"), resolution_kg=0.045, direction=1)

    def recovery_step() -> None:
        clock[0] += 1.0
        ledger.read(known(31.0, "kg"))
        watch.update(clock[0], rate, moved, allowed, readings)

    def charging_step() -> None:
        clock[0] += 1.0
        charging.update(clock[0], moved, rate, rate)

    rows = []
    for name, action in (
        ("recovery, one live step", recovery_step),
        ("charging, one live step", charging_step),
        ("start-up, one live step", lambda: start_up_now(refrigerant, readings, 3e6)),
    ):
        seconds = _best(action, 500, 5)
        rows.append((name, f"{seconds * 1e6:.0f} us", "< 300 us", seconds < 300e-6))
    return rows


def _twelve_hours(value_at: Callable[[int], float], point: str, step: float) -> Series:
    rng = random.Random(point)
    t = [float(i) for i in range(TWELVE_HOURS_S)]
    values = [round((value_at(i) + rng.gauss(0, step)) / step) * step for i in range(TWELVE_HOURS_S)]
    return Series(point, t, values, step, step)


def _recovery_analysis() -> Row:
    series = {
        "cylinder_mass": _twelve_hours(lambda i: 30 + 40 * (1 - 2.718 ** (-i / 9000)), "cylinder_mass", 0.045),
        "recovery_inlet_pressure": _twelve_hours(lambda i: 8e5 * 2.718 ** (-i / 12000) + 4e4, "p1", 500.0),
        "recovery_inlet_temperature": _twelve_hours(lambda i: 288.0, "t1", 0.1),
        "recovery_outlet_pressure": _twelve_hours(lambda i: 1.3e6, "p2", 500.0),
        "cylinder_pressure": _twelve_hours(lambda i: 1.1e6, "p3", 500.0),
        "cylinder_temperature": _twelve_hours(lambda i: 301.0, "t2", 0.1),
        "ambient_temperature": _twelve_hours(lambda i: 297.0, "t3", 0.1),
    }
    began = time.perf_counter()
    result = analyse_recovery(
        series,
        refrigerant=find("R-407C"),
        resolution_kg=0.045,
        charge_kg=40.0,
        level=required_level("high", 40.0),
    )
    seconds = time.perf_counter() - began
    assert result.recovered.number is not None
    return "analyse a 12 h recovery at 1 Hz, 7 points", f"{seconds:.2f} s", "< 2 s", seconds < 2.0


def _start_up_analysis() -> Row:
    series = {
        "suction_pressure": _twelve_hours(lambda i: 5.8e5, "suction_pressure", 500.0),
        "suction_temperature": _twelve_hours(lambda i: 285.0, "suction_temperature", 0.1),
        "liquid_pressure": _twelve_hours(lambda i: 1.8e6, "liquid_pressure", 500.0),
        "liquid_temperature": _twelve_hours(lambda i: 308.0, "liquid_temperature", 0.1),
        "discharge_pressure": _twelve_hours(lambda i: 1.85e6, "discharge_pressure", 500.0),
        "discharge_temperature": _twelve_hours(lambda i: 350.0, "discharge_temperature", 0.1),
        "ambient_temperature": _twelve_hours(lambda i: 298.0, "ambient_temperature", 0.1),
        "valve_position": _twelve_hours(lambda i: 0.6, "valve_position", 0.001),
    }
    began = time.perf_counter()
    result = analyse_start_up(series, refrigerant=find("R-407C"))
    seconds = time.perf_counter() - began
    assert result.metrics
    return "analyse a 12 h start-up at 1 Hz, 8 points", f"{seconds:.2f} s", "< 2 s", seconds < 2.0
