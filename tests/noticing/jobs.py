"""Jobs of the simulated plant with random sizes, sensors, hands and pauses."""

import random
from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from sim_device.errors import BadSetting
from sim_device.physics.gas import Hose, Leak
from sim_device.plant import Plant
from sim_device.scenario import CylinderSpec, Scenario, Step
from sim_device.scenarios.brewery import BREWERY
from sim_device.scenarios.steps import MICRON_PA
from tests.noticing.course import BOARDS, LAST_KG_S, Course, Hands, Happened, Instruments

KEYS = {
    "start_recovery": "recovery.started", "swap_cylinder": "scale.cylinder_changed",
    "fill_nitrogen": "pressure-test.nitrogen_in", "start_pump": "evacuation.pump_started",
    "isolate": "decay.valved_off", "start_machine": "start_up.compressor_started",
    "stop_machine": "start_up.over", "vent": "pressure-test.over",
}  # fmt: skip
HOUR = 3600.0
POINTS = tuple(point for board in BOARDS for point in board)


def job(seed: int, what: str) -> Course:
    """what: "recovery", "evening" (all stages) or "quiet" (a night of 12 h in which nothing happens)."""
    for draw in range(10):
        rng = random.Random(f"{what}/{seed}" + (f"/{draw}" if draw else ""))
        scenario, away = {"recovery": _recovery, "evening": _evening, "quiet": _quiet}[what](rng)
        try:
            return run(f"{what} {seed}", scenario, rng, away, 40.0 if what == "quiet" else 60.0)
        except BadSetting:  # a plant that is not empty when it ought to be opened: another one is drawn
            continue
    raise BadSetting(f"no plant of seed {seed} could be worked on")


def run(name: str, scenario: Scenario, rng: random.Random, away_s: list[float], hands_a_night: float) -> Course:
    """away_s: how long a cylinder is off the scale at each swap."""
    plant = Plant(scenario, rng.randrange(1 << 30))
    instruments = Instruments(rng)
    instruments.lose_links(scenario.duration_s, 6.0)
    hands = Hands(rng, scenario.duration_s, hands_a_night, rng.choice((0.0, 0.02, 0.08)))
    course = Course(name, scenario.refrigerant, instruments.digits())
    done_so_far, wet, t, offset, flowed = 0, False, 0, 0.0, 0.0
    filling, charged = False, 0.0
    gross_kg = deque[float](maxlen=60)
    ends: list[tuple[str, float]] = []
    away: tuple[float, float] | None = None
    lifts = iter(away_s)
    while t < scenario.duration_s and not (plant.timeline_finished and t > _last(plant) + 900 and scenario.timeline):
        t += 1
        plant.advance_to(float(t))
        for done in plant.done[done_so_far:]:
            if done.action == "lift_cylinder":
                continue
            if done.action == "swap_cylinder":
                gone = next(lifts, 30.0)
                away, offset = (done.t_s, done.t_s + gone), rng.uniform(-0.2, 0.2)
            key = KEYS.get(done.action)
            if key is not None:  # another cylinder can be seen once it stands there
                at = away[1] if away is not None and done.action == "swap_cylinder" else done.t_s
                course.happened.append(Happened(key, at))
            if done.action == "start_charging" and done.kw.get("mode") == "liquid":
                course.happened.append(Happened("charging.began", done.t_s))
            if done.action == "stop_charging" or (
                done.action == "stop_recovery" and plant.circuit_pressure_pa < 0.9 * plant.outdoors.pressure_pa
            ):
                ends.append((done.action, min(done.t_s, flowed if done.action == "stop_recovery" else charged)))
        done_so_far = len(plant.done)
        if filling and plant.filling_to_pa is None and not plant.venting:
            course.happened.append(Happened("pressure-test.settled", float(t)))
        filling = plant.filling_to_pa is not None
        flow = plant.flow
        flowed = float(t) if flow.kg_s > LAST_KG_S else flowed
        late = [h for h in course.happened if h.key == "recovery.started" and t == round(h.at) + 60]
        if late and flow.kg_s < 0.003:  # there was nothing left to come
            course.happened.remove(late[0])
        if flow.kg_s > 0.003 and flow.liquid_share > 0.9:
            wet = True
        elif wet and flow.kg_s > 0 and flow.liquid_share < 0.5:
            wet = False
            course.happened.append(Happened("recovery.liquid_ended", float(t)))
        truth = {point: plant.read(point) for point in POINTS}
        gross_kg.append(truth["cylinder_mass"])
        charged = float(t) if 0.06 < gross_kg[0] - gross_kg[-1] < 5.0 else charged
        if away is not None and away[0] <= t < away[1]:
            truth["cylinder_mass"], truth["cylinder_pressure"] = hands.felt(t, 0.0), plant.outdoors.pressure_pa
        else:
            truth["cylinder_mass"] = hands.felt(t, truth["cylinder_mass"] + offset)
        readings = instruments.read(t, truth)
        if readings:
            course.seconds.append((t, readings))
    for action, key in (("stop_recovery", "recovery.over"), ("stop_charging", "charging.over")):
        last = [at for act, at in ends if act == action]
        course.happened += [Happened(key, last[-1])] if last else []
    course.hands = hands.count
    course.happened.sort(key=lambda one: one.at)
    return course


def _last(plant: Plant) -> float:
    return plant.done[-1].t_s if plant.done else 0.0


def _sized(rng: random.Random) -> tuple[Scenario, float]:
    """A plant of 12 to 200 kg, as the brewery's is of 96; how large against that."""
    charge = rng.choice((12.0, 25.0, 60.0, 100.0, 200.0)) * rng.uniform(0.8, 1.2)
    s = charge / BREWERY.charge_kg
    refrigerant = rng.choice(("R-407C", "R-134a", "R-410A", "R-404A"))
    machine: dict[str, Any] = dict(BREWERY.machine)
    power = rng.uniform(0.4, 1.3)
    for key in ("swept_m3_s", "liquid_kg_s", "condenser_w_k", "hose_in", "hose_out"):
        machine[key] *= power
    machine["trapped_kg"] = charge * rng.uniform(0.1, 0.35)
    circuit = {key: value * (s if key != "fluid_k" else 1.0) for key, value in BREWERY.circuit.items()}
    ambient = rng.uniform(8.0, 33.0)
    circuit["fluid_k"] = 273.15 + ambient + rng.uniform(-8, 2)
    return replace(
        BREWERY, name="drawn", refrigerant=refrigerant, full_charge_kg=charge, charge_kg=charge * rng.uniform(0.8, 1.0),
        oil_kg=0.01 * charge, volume_m3=0.26 * s, ambient_c=ambient, circuit_c=ambient + rng.uniform(-6, 2),
        ambient_swing_c=rng.uniform(0, 5), machine=machine, circuit=circuit,
        pump={"speed_m3_s": rng.uniform(1.5e-3, 8e-3), "ultimate_pa": rng.uniform(2.0, 12.0)},
        hose=Hose(rng.choice((0.008, 0.012, 0.025)), 1.5), oil={"conductance_m3_s": 2.5e-4 * s},
        water_kg=rng.choice((0.0, 0.004, 0.012)) * s, leak=Leak(rng.choice((0.0, 0.0, 2e-4, 2e-3)) * s),
    ), s  # fmt: skip


def _cylinders(scenario: Scenario, rng: random.Random) -> tuple[CylinderSpec, ...]:
    """Enough of them; two at least."""
    water = max(20.0, scenario.charge_kg * rng.uniform(0.5, 1.0))
    count = max(2, min(4, int(scenario.charge_kg / (0.8 * water)) + 1))
    return tuple(
        CylinderSpec(f"cylinder {i + 1}", water * rng.uniform(0.42, 0.55), water, rng.uniform(0.1, 1.5))
        for i in range(count)
    )


def _recovering(scenario: Scenario, rng: random.Random) -> Iterator[Step]:
    """With pauses, and a swap where one is due or for no reason."""
    names = [one.name for one in scenario.cylinders]
    share = scenario.charge_kg / len(names)
    yield Step("start_recovery", wait_s=rng.uniform(130, 700))
    for i, name in enumerate(names[1:], 1):
        left = scenario.charge_kg - share * i * rng.uniform(0.75, 1.0)
        yield Step(
            "stop_recovery", wait_s=rng.uniform(400, 900), until=("circuit_kg", "<=", left), at_most_s=0.7 * HOUR
        )
        if rng.random() < 0.3:  # a pause, and on into the same
            yield Step("start_recovery", wait_s=rng.uniform(240, 900))
            yield Step("stop_recovery", wait_s=rng.uniform(200, 400))
        yield Step("swap_cylinder", {"to": name}, wait_s=rng.uniform(20, 300))
        yield Step("start_recovery", wait_s=rng.uniform(150, 500))
    yield Step("stop_recovery", wait_s=600, until=("circuit_pa", "<=", 4.6e4), at_most_s=1.2 * HOUR)


def _recovery(rng: random.Random) -> tuple[Scenario, list[float]]:
    scenario, _ = _sized(rng)
    scenario = replace(scenario, cylinders=_cylinders(scenario, rng))
    steps = tuple(_recovering(scenario, rng))
    away = [rng.uniform(10, 110) for _ in scenario.cylinders]
    return replace(scenario, timeline=steps, duration_s=3.5 * HOUR), away


def _evening(rng: random.Random) -> tuple[Scenario, list[float]]:
    scenario, _ = _sized(rng)
    cylinders = _cylinders(scenario, rng)
    drum = CylinderSpec("drum", scenario.charge_kg * 0.5, scenario.charge_kg * 1.5, scenario.charge_kg * 1.15)
    scenario = replace(scenario, cylinders=(*cylinders, drum))
    recovering = tuple(_recovering(replace(scenario, cylinders=cylinders), rng))
    full = scenario.full_charge_kg
    steps = (
        *recovering,
        Step("fill_nitrogen", {"to_pa": rng.uniform(1.2e6, 2.2e6)}, wait_s=rng.uniform(900, 2000)),
        Step("vent", wait_s=rng.uniform(0.7, 1.3) * HOUR),
        Step("close_ports", wait_s=500),
        Step("start_pump", wait_s=rng.uniform(200, 900)),
        Step("isolate", wait_s=1200, until=("vacuum_pa", "<=", 280 * MICRON_PA), at_most_s=1.5 * HOUR),
        Step("stop_pump", wait_s=20),
        Step("swap_cylinder", {"to": "drum"}, wait_s=rng.uniform(0.4, 0.8) * HOUR),
        Step("start_charging", {"mode": "liquid"}, wait_s=rng.uniform(150, 500)),
        Step("start_charging", {"mode": "push-pull"}, wait_s=400),
        Step("stop_charging", until=("circuit_kg", ">=", full - 0.02), at_most_s=1.5 * HOUR),
        Step("start_machine", wait_s=rng.uniform(600, 1200)),
        Step("stop_machine", wait_s=rng.uniform(900, 1500)),
    )
    away = [rng.uniform(10, 110) for _ in scenario.cylinders]
    return replace(scenario, timeline=steps, duration_s=12 * HOUR), away


def _quiet(rng: random.Random) -> tuple[Scenario, list[float]]:
    """A charged system, an emptied one under vacuum or one under nitrogen, left alone for the night."""
    scenario, _ = _sized(rng)
    at_rest = {key: value for key, value in scenario.circuit.items() if not key.startswith("fluid")}
    start = rng.choice(("charged", "evacuated", "nitrogen"))
    scenario = replace(
        scenario, start=start, vacuum_pa=rng.choice((30.0, 400.0)), nitrogen_pa=2e6, ambient_swing_c=rng.uniform(3, 9),
        charge_kg=scenario.charge_kg if start == "charged" else 0.0, water_kg=0.0, circuit_c=None, circuit=at_rest,
        oil_kg=scenario.oil_kg if start == "charged" else 0.0,
        cylinders=(CylinderSpec("cylinder 1", 25.0, 60.0, rng.uniform(0.5, 40)),), timeline=(), duration_s=12 * HOUR,
    )  # fmt: skip
    return scenario, []
