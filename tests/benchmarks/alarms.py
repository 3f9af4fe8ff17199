"""Time of one alarm step with every rule of a large rig, quiet and in a flood."""

import time
from collections.abc import Callable
from statistics import median

from logger.alarms.alarm_engine import AlarmEngine
from logger.alarms.defaults import HEALTH, device_input, trouble_input
from logger.alarms.memory import AlarmState
from logger.model.points import POINTS
from logger.model.units import NS_PER_S
from logger.model.value import Value, known, unknown
from logger.pipeline.job_alarms import all_rules

STEPS = 2000
TARGET_MS = 0.2


def run() -> list[tuple[str, str, str, bool]]:
    """Rows of name, value, target, whether it was met."""
    devices = {f"d{i}": f"Device {i}" for i in range(8)}
    engine = AlarmEngine(all_rules(tuple(POINTS), devices))
    well: dict[str, Value] = {name: known(250.0, point.unit) for name, point in POINTS.items()}
    well |= {name: known(1.0, "1") for name in (*HEALTH, *map(device_input, devices), *map(trouble_input, devices))}
    well |= {"cylinder_of_limit": known(0.4, "1"), "liquid_full_temperature": known(345.0, "K")}
    trouble = {**well, **{device_input(d): unknown("1", "unplugged") for d in devices}}
    trouble |= {name: unknown("Pa", "no readings") for name in POINTS}
    quiet = _step_ms(engine, lambda i: well)
    busy = _step_ms(engine, lambda i: trouble if i % 40 < 20 else well)
    return [
        (f"alarm step, {len(engine.rules)} rules, quiet", f"{quiet:.3f} ms", f"< {TARGET_MS} ms", quiet < TARGET_MS),
        ("alarm step, all points and devices come and go", f"{busy:.3f} ms", f"< {TARGET_MS} ms", busy < TARGET_MS),
    ]


def _step_ms(engine: AlarmEngine, inputs: Callable[[int], dict[str, Value]]) -> float:
    state, took = AlarmState(), []
    for i in range(STEPS):
        given = inputs(i)
        begun = time.perf_counter_ns()
        state, _ = engine.step(state, given, "recovery", i * NS_PER_S)
        took.append((time.perf_counter_ns() - begun) / 1e6)
    return median(took)
