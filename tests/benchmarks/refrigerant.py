"""Saturation calls and the first call of a process, side by side with CoolProp's fastest route to the same number."""

import subprocess
import sys
import tempfile
import time
import timeit
from collections.abc import Callable
from typing import Any

from logger.refrigerant import find
from logger.refrigerant.primed import CP, PrimedState, component_key

Row = tuple[str, str, str, bool]
CALL_US = 2.0
FIRST_S = 0.15
PRESSURES_PA = tuple(2e5 + 2.5e5 * i for i in range(10))
KELVINS = tuple(250.0 + 8 * i for i in range(10))


def _us(call: Callable[[], Any], at_least_s: float = 0.05) -> float:
    """Best of five, microseconds of each of the ten calls in `call`: the least disturbed by what else runs here."""
    count = 1
    while timeit.timeit(call, number=count) < at_least_s / 4 and count < 1_000_000:
        count *= 4
    return min(timeit.repeat(call, number=count, repeat=5)) / count / len(PRESSURES_PA) * 1e6


def _each(of: Callable[[float], float], at: tuple[float, ...] = PRESSURES_PA) -> Callable[[], Any]:
    """One call at each of ten places, so that no route gains by being asked the same twice."""

    def calls() -> None:
        for number in at:
            of(number)

    return calls


def _coolprop_routes(name: str, tables: str) -> dict[str, Callable[[float], float]]:
    """CoolProp's ways to a dew temperature: primed mixture, pseudo-pure fit, full equation, tabular interpolation.

    The bicubic tables (pure and pseudo-pure fluids only) are built once, for seconds, under `tables`.
    """
    r = find(name)
    routes: dict[str, Callable[[float], float]] = {}
    if not r.pure:
        primed = PrimedState(r.composition)
        routes["primed mixture"] = lambda pressure_pa: primed.temperature(pressure_pa, 1)
    CP.set_config_string(CP.ALTERNATIVE_TABLES_DIRECTORY, tables)
    for label, backend in (("full equation", "HEOS"), ("bicubic table", "BICUBIC&HEOS")):
        try:
            state = CP.AbstractState(backend, component_key(name))
            state.update(CP.PQ_INPUTS, PRESSURES_PA[0], 1)
        except ValueError:
            continue

        def call(pressure_pa: float, s: Any = state) -> float:
            s.update(CP.PQ_INPUTS, pressure_pa, 1)
            return float(s.T())

        routes[label if r.pure else f"pseudo-pure, {label}"] = call
    return routes


def _fresh(code: str) -> float:
    """Seconds of a whole new Python process, its start included; best of five."""
    best = float("inf")
    for _ in range(5):
        begun = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
        best = min(best, time.perf_counter() - begun)
    return best


def run() -> list[Row]:
    rows: list[Row] = []
    for name in ("R-410A", "R-448A", "R-134a"):
        r = find(name)
        with tempfile.TemporaryDirectory() as tables:
            routes = {label: _us(_each(call)) for label, call in _coolprop_routes(name, tables).items()}
        fastest = min(routes, key=lambda label: routes[label])
        dew = _us(_each(r.dew_temperature))
        beside = ", ".join(f"{label} {us:.1f} us" for label, us in routes.items())
        times = f"the fastest takes {routes[fastest] / dew:.1f}x as long"
        rows.append((
            f"dew temperature, {name}", f"{dew:.2f} us (CoolProp: {beside}; {times})",
            f"< {CALL_US:g} us", dew < CALL_US,
        ))  # fmt: skip
    r = find("R-407C")
    for label, of, at in (
        ("bubble temperature", r.bubble_temperature, PRESSURES_PA),
        ("bubble pressure", r.bubble_pressure, KELVINS),
        ("dew pressure", r.dew_pressure, KELVINS),
        ("liquid density", r.liquid_density, KELVINS),
        ("vapor density", r.vapour_density, KELVINS),
    ):
        us = _us(_each(of, at))
        rows.append((f"{label}, R-407C", f"{us:.2f} us", f"< {CALL_US:g} us", us < CALL_US))
    ours = _fresh("from logger.refrigerant import find; find('R-410A').dew_temperature(9e5)")
    bare = _fresh("pass")
    theirs = _fresh(
        "import CoolProp.CoolProp as CP; s = CP.AbstractState('HEOS', 'R410A.mix'); s.build_phase_envelope('none');"
        "s.update(CP.PQ_INPUTS, 9e5, 1)"
    )
    rows.append((
        "first call of a fresh process", f"{ours:.3f} s, {bare:.3f} of it Python's own start (CoolProp {theirs:.2f} s)",
        f"< {FIRST_S:g} s", ours < FIRST_S,
    ))  # fmt: skip
    return rows


if __name__ == "__main__":
    for row in run():
        print(*row, sep=" | ")
