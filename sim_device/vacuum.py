"""Evacuation and decay on their own, fast: the plant's vacuum physics without the rest of a plant.

For judging analyses over many random cases. Pure functions of their arguments and the seed; a case of an hour takes
some 10 ms. Units SI; a reading is None where the gauge has none (outside its range).
"""

import math
import random
from dataclasses import dataclass, replace

from sim_device.errors import BadSetting
from sim_device.physics.fluid import GAS_CONSTANT
from sim_device.physics.gas import Gases, Hose, Leak, Ledger, Outdoors, Sorbed, VacuumPump, exchange
from sim_device.physics.gauge import VacuumGauge
from sim_device.physics.water import WATER_MOLAR_MASS, WaterPatch, vapour_pressure_pa

MICRON_PA = 0.133322387415
KINDS = ("tight", "leak", "wet", "leak_and_wet", "oily")
PULL_DOWN_KINDS = ("clean", "wet", "leak", "oily", "pump_oil")
_MAX_STEP_S = 2.5

_NO_LEAK = Leak()
_HOSE = Hose(0.012, 1.5)

Readings = tuple[list[float], list[float | None], list[float]]


@dataclass(frozen=True, slots=True)
class VacuumCase:
    """One circuit, its pump and gauge, and for how long it is watched.

    start_pa: what it begins at, air. target_pa, pump_s: pumping before a decay ends at the target, or after pump_s.
    water_conductance_m3_s, water_heat_w_k: as in WaterPatch. oil_mol, oil_mol_pa, oil_conductance_m3_s: refrigerant
    in the oil, as in Sorbed. walls_pa: pressure the walls would come to; walls_conductance_m3_s how fast.
    drift_k_h: of all temperatures. gauge_scale, noise, step_pa, floor_pa, ceiling_pa: of the gauge; gauge_fault as
    in VacuumGauge, from the isolation on. kind: the truth in one word, of KINDS or PULL_DOWN_KINDS.
    """

    kind: str = "tight"
    volume_m3: float = 0.05
    temp_k: float = 295.15
    drift_k_h: float = 0.0
    start_pa: float = 2e4
    target_pa: float = 250 * MICRON_PA
    pump_s: float = 3600.0
    duration_s: float = 3600.0
    period_s: float = 10.0
    leak: Leak = _NO_LEAK
    water_kg: float = 0.0
    water_conductance_m3_s: float = 5e-4
    water_heat_w_k: float = 3.0
    oil_mol: float = 0.0
    oil_mol_pa: float = 4e-4
    oil_conductance_m3_s: float = 0.0
    walls_pa: float = 45.0
    walls_conductance_m3_s: float = 1e-6
    pump_m3_s: float = 3e-3
    pump_base_pa: float = 4.0
    hose: Hose | None = _HOSE
    outside_pa: float = 101325.0
    gauge_scale: float = 1.0
    noise: float = 0.004
    step_pa: float = MICRON_PA
    floor_pa: float = MICRON_PA
    ceiling_pa: float = 25000 * MICRON_PA
    gauge_fault: str = ""


class _Run:
    """The circuit of a case in motion; `pumping` says whether the valve to the pump is open."""

    def __init__(self, case: VacuumCase) -> None:
        self.case = case
        self.t_s = 0.0
        self.gases = Gases(air=case.start_pa * case.volume_m3 / (GAS_CONSTANT * case.temp_k))
        self.water = WaterPatch(case.water_kg, case.water_conductance_m3_s, case.water_heat_w_k)
        self.water.start_at(case.temp_k)
        self.oil = Sorbed(case.oil_mol, case.oil_mol_pa, case.oil_conductance_m3_s)
        self.walls = Sorbed(case.walls_pa * 1e-3, 1e-3, case.walls_conductance_m3_s)
        self.pump = VacuumPump(case.pump_m3_s, case.pump_base_pa)
        self.outdoors = Outdoors(case.outside_pa, case.temp_k)
        self.ledger = Ledger()
        self.pumping = True

    @property
    def temp_k(self) -> float:
        return self.case.temp_k + self.case.drift_k_h * self.t_s / 3600.0

    @property
    def pressure_pa(self) -> float:
        return self.gases.total * GAS_CONSTANT * self.temp_k / self.case.volume_m3

    def advance(self, seconds: float) -> None:
        count = max(1, math.ceil(seconds / _MAX_STEP_S))
        dt = seconds / count
        self.pump.running = self.pumping
        for _ in range(count):
            t_k = self.temp_k
            self.outdoors.temp_k = t_k
            exchange(
                dt, self.gases, self.case.volume_m3, t_k, t_k, outdoors=self.outdoors, ledger=self.ledger,
                pump=self.pump, hose=self.case.hose, leak=self.case.leak, water=self.water, oil=self.oil,
                walls=self.walls,
            )  # fmt: skip
            self.t_s += dt


def decay_series(case: VacuumCase, seed: int = 0) -> Readings:
    """(t_s since isolation, gauge pressure Pa or None, metal temperature K), one each period_s, isolation first."""
    run = _Run(case)
    while run.pressure_pa > case.target_pa and run.t_s < case.pump_s:
        run.advance(10.0)
    run.pumping = False
    return _watch(run, seed, case.gauge_fault)


def pull_down_series(case: VacuumCase, seed: int = 0) -> Readings:
    """(t_s since the pump started, gauge pressure Pa or None, metal temperature K), one each period_s."""
    return _watch(_Run(case), seed, case.gauge_fault)


def _watch(run: _Run, seed: int, fault: str) -> Readings:
    case = run.case
    if case.period_s <= 0 or case.duration_s < 0:
        raise BadSetting(f"a period above 0 and a duration not below it, not {case.period_s} s, {case.duration_s} s")
    rng = random.Random(f"vacuum gauge/{seed}")
    gauge = VacuumGauge(fault=fault, shown_pa=run.pressure_pa)
    times: list[float] = []
    readings: list[float | None] = []
    temps: list[float] = []
    start_s = run.t_s
    for i in range(int(case.duration_s / case.period_s) + 1):
        if i:
            run.advance(case.period_s)
            gauge.step(case.period_s, run.pressure_pa)
        times.append(run.t_s - start_s)
        readings.append(_reading(case, gauge.shown_pa, rng))
        temps.append(run.temp_k)
    return times, readings, temps


def _reading(case: VacuumCase, pressure_pa: float, rng: random.Random) -> float | None:
    shown = pressure_pa * case.gauge_scale * (1.0 + rng.gauss(0.0, case.noise))
    shown = round(shown / case.step_pa) * case.step_pa
    return shown if case.floor_pa <= shown <= case.ceiling_pa else None


def _between(rng: random.Random, low: float, high: float) -> float:
    """Even in the logarithm."""
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def _size(kind: str, volume_m3: float, rng: random.Random) -> Leak:
    """A leak that lifts the pressure by 250 to 6000 micron an hour."""
    per_hour_pa = _between(rng, 250, 6000) * MICRON_PA
    return Leak(per_hour_pa * volume_m3 / 3600.0, "viscous")


def random_decay(seed: int, kind: str | None = None) -> VacuumCase:
    """A random decay test with its truth in `kind`; kind None draws one of KINDS."""
    rng = random.Random(f"decay case/{seed}")
    kind = _drawn(kind, KINDS, rng)
    case = _random_case(rng, kind)
    if "leak" in kind:
        case = replace(case, leak=_size(kind, case.volume_m3, rng))
    if kind == "oily":
        case = _oily(case, rng)
    return case


def random_pull_down(seed: int, kind: str | None = None) -> VacuumCase:
    """A random pull-down of one to three hours; kind None draws one of PULL_DOWN_KINDS."""
    rng = random.Random(f"pull-down case/{seed}")
    kind = _drawn(kind, PULL_DOWN_KINDS, rng)
    case = replace(_random_case(rng, kind), start_pa=101325.0, duration_s=rng.uniform(1.0, 3.0) * 3600.0)
    if kind == "leak":
        # large enough for the pump to settle above its own base
        case = replace(case, leak=Leak(_between(rng, 0.05, 1.0) * case.pump_m3_s * 100.0))
    if kind == "oily":
        case = _oily(case, rng)
    if kind == "pump_oil":
        case = replace(case, pump_base_pa=_between(rng, 800, 3000) * MICRON_PA)
    return case


def _drawn(kind: str | None, kinds: tuple[str, ...], rng: random.Random) -> str:
    if kind is None:
        return rng.choice(kinds)
    if kind not in kinds:
        raise BadSetting(f"kind {kind!r} is not known; known: {', '.join(kinds)}")
    return kind


def _random_case(rng: random.Random, kind: str) -> VacuumCase:
    volume = _between(rng, 0.008, 0.3)
    temp_k = 273.15 + rng.uniform(6.0, 34.0)
    case = VacuumCase(
        kind=kind,
        volume_m3=volume,
        temp_k=temp_k,
        drift_k_h=rng.gauss(0.0, 0.7),
        target_pa=rng.uniform(150, 350) * MICRON_PA,
        duration_s=rng.choice((1800.0, 3600.0, 7200.0)),
        walls_pa=rng.uniform(20.0, 60.0),
        # some 5 to 25 micron an hour: a sound circuit is never quite still
        walls_conductance_m3_s=volume * rng.uniform(0.4, 2.0) * 1e-5,
        pump_m3_s=_between(rng, 1.5e-3, 6e-3),
        pump_base_pa=rng.uniform(2.0, 8.0),
        hose=Hose(rng.uniform(0.009, 0.02), rng.uniform(1.0, 2.0)),
        gauge_scale=1.0 + rng.gauss(0.0, 0.03),
        noise=rng.uniform(0.002, 0.01),
    )
    if "wet" in kind:
        conductance = _between(rng, 1e-4, 2e-3)
        pump_s = rng.uniform(600.0, 1800.0) * max(1.0, volume / 0.05)  # until the air is out
        # more than can boil off while pumping, so that a wet case is wet when it is isolated
        boiled_kg = conductance * vapour_pressure_pa(temp_k) * WATER_MOLAR_MASS / (GAS_CONSTANT * temp_k) * pump_s
        case = replace(
            case,
            pump_s=pump_s,
            water_kg=1.2 * boiled_kg + _between(rng, 0.005, 0.2),
            water_conductance_m3_s=conductance,
            water_heat_w_k=_between(rng, 0.5, 8.0),
        )
    return case


def _oily(case: VacuumCase, rng: random.Random) -> VacuumCase:
    """Oil that would come to 800 to 5000 micron, at a pace of minutes to an hour."""
    capacity = case.volume_m3 * _between(rng, 2e-3, 2e-2)
    return replace(
        case,
        oil_mol=_between(rng, 800, 5000) * MICRON_PA * capacity,
        oil_mol_pa=capacity,
        oil_conductance_m3_s=case.volume_m3 * _between(rng, 2e-4, 2e-3),
    )
