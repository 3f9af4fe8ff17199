"""A second simulator, which shares nothing with sim_device: a few lines of physics and hands that do other things.

One lump of refrigerant behind a valve, vapor pressure by two constants (Clausius-Clapeyron through two points of
R-134a, common practice), flows by a constant and a time constant, a pump by its volume flow. Rough on purpose: a
detector that only knows the habits of one simulator shows it here.
"""

import math
import random
from dataclasses import dataclass

from tests.noticing.course import LAST_KG_S, Course, Hands, Happened, Instruments

AIR_PA = 101_325.0
P0, T0, SLOPE_K = 571.7e3, 293.15, 2720.0  # Pa at K; latent heat over gas constant


def vapor_pa(t_k: float) -> float:
    return P0 * math.exp(SLOPE_K * (1 / T0 - 1 / t_k))


def dew_k(pressure_pa: float) -> float:
    return 1.0 / (1 / T0 - math.log(max(pressure_pa, 1.0) / P0) / SLOPE_K)


@dataclass(slots=True)
class _State:
    system_kg: float
    gas_pa: float  # of nitrogen or air in the system
    cylinder_kg: float
    tare_kg: float
    t_k: float
    system_k: float
    cylinder_k: float
    machine: float = 0.0  # kg/s of liquid it takes, 0: off
    ramp: float = 0.0
    pump_tau_s: float = 0.0
    valve_open: bool = False
    charge_kg_s: float = 0.0
    nitrogen_pa_s: float = 0.0
    nitrogen_to_pa: float = 0.0
    venting: bool = False
    compressor: float = 0.0
    opening: float = 0.0
    off_scale: bool = False


def own_job(seed: int, what: str = "job") -> Course:
    """A job from recovery to start-up, or a quiet night ("quiet")."""
    rng = random.Random(f"own/{what}/{seed}")
    instruments = Instruments(rng)
    ambient_k = rng.uniform(281.0, 305.0)
    charge = rng.uniform(8.0, 90.0)
    volume_m3 = charge / 300.0
    s = _State(charge, 0.0, rng.uniform(0.2, 3.0), rng.uniform(9.0, 30.0), ambient_k, ambient_k, ambient_k)
    plan = _quiet_plan(rng, s) if what == "quiet" else _plan(rng, charge)
    duration = 43_200 if what == "quiet" else int(plan[-1][0]) + 1500
    instruments.lose_links(duration, 6.0)
    hands = Hands(rng, duration, 50.0, rng.choice((0.0, 0.05)))
    course = Course(f"own {what} {seed}", "R-134a", instruments.digits())
    swing_k, phase = rng.uniform(0.0, 5.0), rng.uniform(0, 6.28)
    waiting, liquid, trapped = list(plan), False, charge * rng.uniform(0.1, 0.3)
    flowed_s = 0.0
    for t in range(1, duration):
        s.t_k = ambient_k + swing_k * math.sin(2 * math.pi * t / 86_400 + phase)
        while waiting and waiting[0][0] <= t:
            _, act, value = waiting.pop(0)
            _do(s, act, value, rng)
            key = _KEYS.get(act)
            if key is not None:
                course.happened.append(Happened(key, float(t)))
            if act == "nitrogen":
                in_at = t + (s.nitrogen_to_pa - s.gas_pa) / s.nitrogen_pa_s
                course.happened.append(Happened("pressure-test.settled", in_at))
            if act == "machine off" and value and flowed_s:
                course.happened.append(Happened("recovery.over", flowed_s))
        moved = _second(s, volume_m3, trapped)
        if s.machine and moved > LAST_KG_S:
            flowed_s = float(t)
        if s.machine and s.system_kg > trapped + 0.3 and moved > 0.005:
            liquid = True
        elif liquid and s.system_kg <= trapped:
            liquid = False
            course.happened.append(Happened("recovery.liquid_ended", float(t)))
        course.seconds.append((t, instruments.read(t, _truth(s, hands, t, moved, trapped, rng))))
    course.seconds = [(t, readings) for t, readings in course.seconds if readings]
    course.hands = hands.count
    course.happened.sort(key=lambda one: one.at)
    return course


_KEYS = {
    "machine on": "recovery.started", "stands": "scale.cylinder_changed", "nitrogen": "pressure-test.nitrogen_in",
    "let out": "pressure-test.over", "pump on": "evacuation.pump_started", "valve shut": "decay.valved_off",
    "charge": "charging.began", "charge off": "charging.over", "compressor on": "start_up.compressor_started",
    "compressor off": "start_up.over",
}  # fmt: skip


def _plan(rng: random.Random, charge: float) -> list[tuple[float, str, float]]:
    """(second, act, value)."""
    at = rng.uniform(150, 600)
    rate = rng.uniform(0.012, 0.08)
    liquid_s = 0.8 * charge / rate
    found = [(at, "machine on", rate)]
    if rng.random() < 0.7:
        at += liquid_s * rng.uniform(0.3, 0.7) + 120
        found.append((at, "machine off", 0.0))
        at = _swap(found, at + rng.uniform(30, 240), rng, rng.uniform(9.0, 30.0), rng.uniform(0.1, 2.0))
        at += rng.uniform(120, 500)
        found.append((at, "machine on", rate))
    at += liquid_s + 3 * 400 + 600
    found.append((at, "machine off", 1.0))
    at += rng.uniform(700, 1500)
    found += [(at, "open", 0.0), (at + 600, "nitrogen", rng.uniform(9e5, 2.4e6))]
    at += 600 + rng.uniform(1800, 4000)
    found += [(at, "let out", 0.0)]
    at += rng.uniform(700, 1200)
    found.append((at, "pump on", rng.uniform(8.0, 60.0)))
    at += rng.uniform(1500, 4000)
    found.append((at, "valve shut", rng.uniform(0.0005, 0.02)))
    at = _swap(found, at + rng.uniform(1500, 3000), rng, rng.uniform(20.0, 45.0), charge * 1.2)
    at += rng.uniform(150, 600)
    rate = rng.uniform(0.01, 0.09)
    found += [(at, "charge", rate), (at + charge / rate, "charge off", 0.0)]
    at += charge / rate + rng.uniform(500, 900)
    found.append((at, "compressor on", rng.uniform(4e5, 9e5)))
    found.append((at + rng.uniform(900, 2000), "compressor off", 0.0))
    return found


def _swap(
    found: list[tuple[float, str, float]], at: float, rng: random.Random, tare_kg: float, contents_kg: float
) -> float:
    """When it stands there."""
    found.append((at, "leaves", tare_kg))
    at += rng.uniform(8.0, 120.0)
    found.append((at, "stands", contents_kg))
    return at


def _quiet_plan(rng: random.Random, s: _State) -> list[tuple[float, str, float]]:
    how = rng.choice(("charged", "nitrogen", "vacuum", "air"))
    if how != "charged":
        s.system_kg, s.gas_pa = 0.0, {"nitrogen": 1.8e6, "vacuum": 40.0, "air": AIR_PA}[how]
    return []


def _do(s: _State, act: str, value: float, rng: random.Random) -> None:
    match act:
        case "machine on":
            s.machine, s.ramp = value, 0.0
        case "machine off":
            s.machine = 0.0
        case "leaves":
            s.off_scale, s.tare_kg = True, value
        case "stands":
            s.off_scale, s.cylinder_kg, s.cylinder_k = False, value, s.t_k + rng.uniform(-6, 6)
        case "open":
            s.system_kg, s.gas_pa = 0.0, AIR_PA
        case "nitrogen":
            s.nitrogen_to_pa, s.nitrogen_pa_s = value, rng.uniform(2e3, 3e4)
        case "let out":
            s.venting, s.nitrogen_pa_s = True, 0.0
        case "pump on":
            s.venting, s.pump_tau_s, s.valve_open = False, value, True
        case "valve shut":
            s.valve_open, s.nitrogen_pa_s, s.nitrogen_to_pa = False, value, 1e4
        case "charge":
            s.charge_kg_s, s.nitrogen_pa_s = value, 0.0
        case "charge off":
            s.charge_kg_s = 0.0
        case "compressor on" | "compressor off":
            s.compressor = value


def _second(s: _State, volume_m3: float, trapped_kg: float) -> float:
    """kg that went into the cylinder."""
    s.system_k += (s.t_k - s.system_k) / 1800
    s.cylinder_k += (s.t_k - s.cylinder_k) / 2400
    moved = 0.0
    if s.machine and not s.off_scale:
        s.ramp += (1 - s.ramp) / 6
        wet = s.system_kg > trapped_kg
        moved = s.ramp * s.machine * (1.0 if wet else 0.35 * max(s.system_kg - 0.3 * volume_m3, 0) / trapped_kg)
        s.system_kg -= moved
        s.cylinder_kg += moved
        s.cylinder_k += moved * 0.25
        s.system_k -= moved * (0.02 if wet else 0.2)
    if s.charge_kg_s:
        s.cylinder_kg -= s.charge_kg_s
        s.system_kg += s.charge_kg_s
        moved = -s.charge_kg_s
    if s.nitrogen_pa_s:
        s.gas_pa = min(s.gas_pa + s.nitrogen_pa_s, max(s.nitrogen_to_pa, s.gas_pa))
    if s.venting:
        s.gas_pa += (AIR_PA - s.gas_pa) / 20
    if s.valve_open:
        s.gas_pa += (8.0 - s.gas_pa) / (s.pump_tau_s if s.gas_pa > 300 else 6 * s.pump_tau_s)
    s.opening += (s.compressor - s.opening) / 12
    return moved


def _truth(s: _State, hands: Hands, t: int, moved: float, trapped_kg: float, rng: random.Random) -> dict[str, float]:
    full = vapor_pa(s.system_k)
    vapor = full * min(1.0, s.system_kg / trapped_kg) if s.system_kg > 0 else 0.0
    system = vapor + s.gas_pa * s.system_k / T0
    cylinder = AIR_PA if s.off_scale else vapor_pa(s.cylinder_k)
    flowing = moved > 0 and s.machine > 0
    inlet = system - 6e6 * moved if flowing else system
    wet = s.system_kg > trapped_kg
    warm = s.opening / 2e4
    return {
        "cylinder_mass": hands.felt(t, 0.0 if s.off_scale else s.tare_kg + s.cylinder_kg),
        "cylinder_pressure": cylinder,
        "cylinder_temperature": s.cylinder_k,
        "recovery_inlet_pressure": max(inlet, 1e3),
        "recovery_inlet_temperature": (dew_k(max(inlet, 1e3)) + (0.0 if wet else 14.0)) if flowing else s.t_k,
        "recovery_outlet_pressure": cylinder + (3e6 * moved if flowing else 0.0),
        "ambient_temperature": s.t_k,
        "system_pressure": system,
        "system_temperature": s.system_k + rng.gauss(0, 0.01),
        "vacuum": system,
        "suction_pressure": max(system - 0.3 * s.opening, 5e4) if s.opening > 1e3 else system,
        "suction_temperature": s.system_k,
        "liquid_pressure": system + 0.65 * s.opening,
        "discharge_pressure": system + 0.7 * s.opening,
        "discharge_temperature": s.system_k + warm,
    }
