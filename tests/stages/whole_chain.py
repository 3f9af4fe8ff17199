"""From devices of stated accuracy to the findings, by the public door: what is found, beside the truth.

Each device is drawn once a run. Its error is rectangular within the stated accuracy and grows with the reading: all of
it counts in a level, and in a change as far as the reading changed. A scale's is of what it weighs. Noise and digits
come with each reading. What no device states is drawn as the analyses assume it: how far the gas is from the
thermometer, how the volume is split, what the weather does.
"""

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from CoolProp.CoolProp import PropsSI

import logger
from logger.cylinder.checks import non_condensables
from logger.model.finding import Finding
from logger.model.job import Job
from logger.model.sample import GaugeFacts, Series
from logger.model.units import MICRON_PA, PSI_PA
from logger.model.value import Value, known
from logger.physics.ambient import weather_u
from logger.refrigerant import SHIPPED

HOUR = 3600.0
Truth = Callable[[float], float]
Found = tuple[str, str, Value, float]
"""Key of the finding, name of the input, what was found, the truth."""


@dataclass(frozen=True, slots=True)
class Device:
    """accuracy: limits of error at `at`. noise: standard deviation of a reading. step: its last digit."""

    accuracy: float
    at: float
    noise: float
    step: float
    period_s: float = 5.0

    def read(self, rng: random.Random, point: str, truth: Truth, seconds: float, zero: float = 0.0) -> Series:
        gain = 1.0 + rng.uniform(-1.0, 1.0) * self.accuracy / self.at
        t = [i * self.period_s for i in range(int(seconds / self.period_s) + 1)]
        shown = [zero + (truth(x) - zero) * gain + rng.gauss(0.0, self.noise) for x in t]
        return Series(
            point, t, [round(v / self.step) * self.step for v in shown],
            math.hypot(self.noise, self.step / math.sqrt(12.0)), self.accuracy / math.sqrt(3.0),
        )  # fmt: skip


def found(findings: tuple[Finding, ...], truths: dict[tuple[str, str], float]) -> Iterator[Found]:
    """Each of these numbers that is there with an uncertainty."""
    for (key, name), truth in truths.items():
        for finding in findings:
            value = finding.value(name) if finding.key == key else None
            if value is not None and value.number is not None and value.u is not None:
                yield key, name, value, truth


def decay_test(rng: random.Random) -> Iterator[Found]:
    """A leak, by a gauge 10 % off at 500 microns whose zero drifts, in a volume known to 5 %."""
    drift, volume, true = 10.0 * MICRON_PA / HOUR, 0.05, 250.0 * MICRON_PA / HOUR
    zero = rng.uniform(-1.0, 1.0) * drift
    gauge = Device(50.0 * MICRON_PA, 500.0 * MICRON_PA, 1.2 * MICRON_PA, MICRON_PA, 10.0)
    read = gauge.read(rng, "vacuum", lambda t: 250.0 * MICRON_PA + (true + zero) * t, HOUR)
    vacuum = Series("vacuum", read.t_s, read.value, read.u, read.u_scale, gauge=GaugeFacts(zero_drift=drift))
    warm = Device(0.5, 295.0, 0.05, 0.1, 60.0).read(rng, "system_temperature", lambda t: 295.0, HOUR)
    stated = volume * rng.gauss(1.0, 0.05)
    result = logger.analyse(
        "decay-test", {"vacuum": vacuum, "system_temperature": warm}, marks={"isolated": 0.0},
        job=Job("", "R-134a", volume_m3=stated, volume_u_m3=0.05 * volume),
    )  # fmt: skip
    yield from found(result.findings, {("decay.cause", "rate"): true, ("decay.leak-rate", "flow"): true * volume})


def pressure_test(rng: random.Random) -> Iterator[Found]:
    """80 psig of nitrogen for a night that cools the half of it outdoors, or any other share, by 4 K; a gauge that
    measures against air that the weather moves; a clamp on the pipe."""
    lasted, fall, inside = 12 * HOUR, rng.uniform(-4.0, 4.0), 294.0
    share, start = rng.random(), 80 * PSI_PA + 101_325.0
    baro = rng.gauss(0.0, weather_u(lasted))
    off = rng.uniform(-0.3, 0.3) + 0.25 * abs(fall) * rng.uniform(-1.0, 1.0)  # of the gas, at the end

    def pressure(t: float) -> float:
        outside = 290.0 + (fall + off) * t / lasted
        first = share / 290.0 + (1 - share) / inside
        return start * first / (share / outside + (1 - share) / inside) - baro * t / lasted

    gauge = Device(3.0 * PSI_PA, start, 0.02 * PSI_PA, 0.1 * PSI_PA, 120.0)
    clamp = Device(0.3, 290.0, 0.02, 0.05, 120.0)
    steady = Device(0.3, 290.0, 0.02, 0.05, 120.0)
    result = logger.analyse(
        "pressure-test",
        {
            "system_pressure": gauge.read(rng, "system_pressure", pressure, lasted),
            "system_temperature": clamp.read(rng, "system_temperature", lambda t: 290.0 + fall * t / lasted, lasted),
            "second_system_temperature": steady.read(rng, "second_system_temperature", lambda t: inside, lasted),
        },
        gauges=frozenset({"system_pressure"}),
    )
    yield from found(
        result.findings, {("standing-pressure.verdict", "drop"): 0.0, ("standing-pressure.verdict", "start"): start}
    )


def _scale(rng: random.Random, kg: Truth, seconds: float, moved: float, accuracy: float) -> Series:
    """It errs in a difference by as much as it may err: an offset is in both weighings."""
    division = 0.01
    device = Device(accuracy, moved, rng.choice((0.5, 1.0)) * division, division, 4.0)
    return device.read(rng, "cylinder_mass", kg, seconds, zero=kg(0.0))


def recovery(rng: random.Random) -> Iterator[Found]:
    """6 kg as liquid, then vapor that dies away; ten minutes after the end the pressure has come up again."""
    start, liquid_s, tau, end = 12.0 + rng.random(), 400.0, 240.0, 1300.0
    speed, charge, moved = 0.015 * rng.uniform(0.9, 1.1), 9.0, 0.0

    def kg(t: float) -> float:
        t = min(max(t - 60.0, 0.0), end - 60.0)
        vapor = max(t - liquid_s, 0.0)
        return start + speed * min(t, liquid_s) + 0.004 * tau * -math.expm1(-vapor / tau)

    moved = kg(end) - kg(0.0)
    low, back = 5e4, 2e4

    def pa(t: float) -> float:
        if t < end:
            return low + 6e5 * math.exp(-max(t - 60.0 - liquid_s, 0.0) / 90.0)
        return low + 38.0 + back * -math.expm1(-(t - end) / 120.0)

    saturated = SHIPPED.find("R-410A").dew_pressure(285.0)

    def inlet(t: float) -> float:
        return saturated * math.exp(-max(t - 60.0 - liquid_s, 0.0) / 200.0)

    gauge = Device(2e3, 7e4, 150.0, 100.0, 4.0)
    result = logger.analyse(
        "recovery",
        {
            "cylinder_mass": _scale(rng, kg, end + 900.0, moved, 0.03),
            "system_pressure": gauge.read(rng, "system_pressure", pa, end + 900.0),
            "recovery_inlet_pressure": Device(5e3, 1e6, 300.0, 100.0, 10.0).read(
                rng, "recovery_inlet_pressure", inlet, end
            ),
            "recovery_inlet_temperature": Device(0.5, 285.0, 0.05, 0.1, 10.0).read(
                rng, "recovery_inlet_temperature", lambda t: 285.0, end
            ),
        },
        job=Job("", "R-410A", charge), marks={"machine-stopped": end}, division_kg=0.01,
    )  # fmt: skip
    settled = sum(pa(end + t) for t in range(840, 900)) / 60.0
    yield from found(
        result.findings,
        {
            ("recovery.mass", "recovered"): moved,
            ("recovery.balance", "difference"): charge - moved,
            ("recovery.phase", "rate_as_liquid"): speed,
            ("recovery.level", "settled"): settled,
            ("recovery.rebound", "rise"): settled - pa(end),
        },
    )


def charging(rng: random.Random) -> Iterator[Found]:
    """5 kg out of a cylinder, slower and slower, that is then shut."""
    start, tau = 40.0 + rng.random(), 500.0 * rng.uniform(0.8, 1.25)

    def kg(t: float) -> float:
        return start - 8.0 * -math.expm1(-min(max(t - 60.0, 0.0), 500.0) / tau)

    moved = kg(0.0) - kg(2000.0)
    result = logger.analyse(
        "charging", {"cylinder_mass": _scale(rng, kg, 700.0, moved, 0.03)}, {"direction": "supply"},
        job=Job("", "R-410A", 12.0), division_kg=0.01,
    )  # fmt: skip
    yield from found(result.findings, {("charging.mass", "charged"): moved, ("charging.leak_rate", "added"): moved})


START_UP_TRUTH = {
    "suction_superheat": 6.4, "total_superheat": 10.0, "subcooling": 6.0, "discharge_superheat": 26.0,
    "condensing_over_ambient": 14.0, "condenser_approach": 3.5, "suction_line_rise": 3.6, "liquid_line_drop": 0.5,
    "freeze_margin": 7.9,
}  # fmt: skip


def start_up(rng: random.Random) -> Iterator[Found]:
    """R-134a at 4 and 45 °C, steady for 20 min."""
    medium, lasted, truth = SHIPPED.find("R-134a"), 1200.0, START_UP_TRUTH
    cold, hot = 277.15, 318.15
    low, high = medium.dew_pressure(cold), medium.dew_pressure(hot)
    suction = Device(4e3, low, 200.0, 100.0)
    head = Device(2e4, high, 500.0, 100.0)
    kelvin = {
        "suction_temperature": cold + truth["suction_superheat"],
        "compressor_suction_temperature": cold + truth["total_superheat"],
        "liquid_temperature": hot - truth["subcooling"],
        "valve_inlet_temperature": hot - truth["subcooling"] - truth["liquid_line_drop"],
        "discharge_temperature": hot + truth["discharge_superheat"],
        "ambient_temperature": hot - truth["condensing_over_ambient"],
        "condenser_leaving_temperature": hot - truth["condenser_approach"],
        "leaving_fluid_temperature": 273.15 + truth["freeze_margin"],
    }
    series = {
        point: Device(0.5, true, 0.05, 0.1).read(rng, point, lambda t, k=true: k, lasted)  # type: ignore[misc]
        for point, true in kelvin.items()
    }
    series["suction_pressure"] = suction.read(rng, "suction_pressure", lambda t: low, lasted)
    series["discharge_pressure"] = head.read(rng, "discharge_pressure", lambda t: high, lasted)
    result = logger.analyse(
        "start-up", series, {"high_side_limit": high + 3e5, "superheat_target": 1.0, "subcooling_target": 1.0},
        job=Job("", "R-134a"),
    )  # fmt: skip
    wanted = {("start_up.suction_superheat", "off_by"): truth["suction_superheat"] - 1.0,
              ("start_up.subcooling", "off_by"): truth["subcooling"] - 1.0,
              ("start_up.feed", "suction_superheat"): truth["suction_superheat"],
              ("start_up.discharge", "discharge_superheat"): truth["discharge_superheat"],
              ("start_up.discharge_temperature", "discharge_temperature"): kelvin["discharge_temperature"],
              ("start_up.condensing", "condensing_over_ambient"): truth["condensing_over_ambient"],
              ("start_up.condenser", "condenser_approach"): truth["condenser_approach"],
              ("start_up.suction_line", "suction_line_rise"): truth["suction_line_rise"],
              ("start_up.liquid_line", "liquid_line_drop"): truth["liquid_line_drop"],
              ("start_up.freezing", "freeze_margin"): truth["freeze_margin"],
              ("start_up.compression_ratio", "compression_ratio"): high / low,
              ("start_up.high_side", "high_side_margin"): 3e5}  # fmt: skip
    yield from found(result.findings, wanted)


def performance(rng: random.Random) -> Iterator[Found]:
    """R-134a at 0 and 45 °C: a map 5 % wide at 95 %, power as read, the true flow and enthalpies by CoolProp."""
    medium, lasted = SHIPPED.find("R-134a"), 1200.0
    cold, hot, flow, watts, swept = 273.15, 318.15, 0.05, 2400.0, 0.0040
    low, high = medium.dew_pressure(cold), medium.dew_pressure(hot)
    kelvin = {"suction_temperature": 279.15, "compressor_suction_temperature": 284.0,
              "liquid_temperature": 312.15, "discharge_temperature": 347.0}  # fmt: skip
    h_out, h1, s1, rho1 = (
        PropsSI(what, "P", low, "T", k, "R134a")
        for what, k in (("H", 279.15), ("H", 284.0), ("S", 284.0), ("D", 284.0))
    )
    h2, h3 = PropsSI("H", "P", high, "T", 347.0, "R134a"), PropsSI("H", "P", high, "T", 312.15, "R134a")
    h2s = PropsSI("H", "P", high, "S", s1, "R134a")
    rated_rho = PropsSI("D", "P", low, "T", cold + 20 * 5 / 9, "R134a")
    rated = flow / (1 + 0.75 * (rho1 / rated_rho - 1)) * rng.gauss(1.0, 0.025)
    rated_watts = 2300.0
    sheet = rated_watts * rng.gauss(1.0, 0.025)
    series = {
        point: Device(0.5, true, 0.05, 0.1).read(rng, point, lambda t, k=true: k, lasted)  # type: ignore[misc]
        for point, true in kelvin.items()
    }
    series["suction_pressure"] = Device(4e3, low, 200.0, 100.0).read(rng, "suction_pressure", lambda t: low, lasted)
    series["discharge_pressure"] = Device(2e4, high, 500.0, 100.0).read(
        rng, "discharge_pressure", lambda t: high, lasted
    )
    nothing = " 0" * 9
    result = logger.analyse(
        "start-up", series, job=Job("", "R-134a"),
        settings={"power": watts * rng.gauss(1.0, 0.02), "displacement": swept,
                  "rated_flow": f"{rated}{nothing} kg/s", "rated_power": f"{sheet}{nothing} W@C"},
    )  # fmt: skip
    truth = {
        "flow": flow, "capacity": flow * (h_out - h3), "cop": flow * (h_out - h3) / watts,
        "isentropic_efficiency": flow * (h2s - h1) / watts, "adiabatic_efficiency": (h2s - h1) / (h2 - h1),
        "volumetric_efficiency": flow / (rho1 * swept), "power": watts,
        "rated_power": rated_watts, "power_of_rated": watts / rated_watts,
    }  # fmt: skip
    yield from found(result.findings, {("start_up.performance", name): value for name, value in truth.items()})


def standing(rng: random.Random) -> Iterator[Found]:
    """A machine that stood for an hour; how near it then is to the air around is half a kelvin of standard u."""
    medium, lasted, around = SHIPPED.find("R-134a"), HOUR, 295.0
    true = medium.bubble_pressure(around + rng.gauss(0.0, 0.5))
    head, suction = Device(6e3, true, 500.0, 100.0), Device(6e3, true, 200.0, 100.0)
    series = {
        "discharge_pressure": head.read(rng, "discharge_pressure", lambda t: true, lasted),
        "suction_pressure": suction.read(rng, "suction_pressure", lambda t: true, lasted),
        "ambient_temperature": Device(0.5, around, 0.05, 0.1).read(
            rng, "ambient_temperature", lambda t: around, lasted
        ),
    }
    result = logger.analyse("start-up", series, job=Job("", "R-134a"))
    yield from found(result.findings, {("start_up.standing", "over_saturation"): 0.0})


def cylinder(rng: random.Random) -> Iterator[Found]:
    """Air in a settled cylinder, 30 kPa of it."""
    medium, kelvin, air = SHIPPED.find("R-134a"), 294.0, 3e4
    pressure = medium.bubble_pressure(kelvin) + air + rng.uniform(-1.0, 1.0) * 8e3
    shell = kelvin + rng.uniform(-1.0, 1.0) * 0.5
    finding = non_condensables(
        known(pressure, "Pa", 8e3 / math.sqrt(3.0)), known(shell, "K", 0.5 / math.sqrt(3.0)), (medium,), settled=True
    )
    yield from found((finding,), {("cylinder.non-condensables", "over_saturation"): air})


CASES: tuple[Callable[[random.Random], Iterator[Found]], ...] = (
    decay_test, pressure_test, recovery, charging, start_up, performance, standing, cylinder,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Agreement:
    """spread: root mean square of found less truth; stated: of the u. Both in the unit of the value."""

    key: str
    name: str
    unit: str
    runs: int
    spread: float
    stated: float

    @property
    def ratio(self) -> float:
        return self.spread / self.stated


def agreements(case: Callable[[random.Random], Iterator[Found]], seeds: range) -> list[Agreement]:
    of: dict[tuple[str, str], list[tuple[Value, float]]] = {}
    for seed in seeds:
        for key, name, value, truth in case(random.Random(seed)):
            of.setdefault((key, name), []).append((value, truth))
    made = []
    for (key, name), pairs in of.items():
        spread = math.sqrt(sum(((v.number or 0.0) - truth) ** 2 for v, truth in pairs) / len(pairs))
        stated = math.sqrt(sum((v.u or 0.0) ** 2 for v, _ in pairs) / len(pairs))
        made.append(Agreement(key, name, pairs[0][0].unit, len(pairs), spread, stated))
    return made
