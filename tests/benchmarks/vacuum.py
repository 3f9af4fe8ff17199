"""Speed of the vacuum and pressure-test analyses: live on 600 points, and over a 12 h stage at 10 Hz."""

import math
import time
from collections.abc import Callable

from logger.model.sample import Series
from logger.model.units import MICRON_PA
from logger.stages.acceptance import DECAY_PROFILES, PRESSURE_PROFILES
from logger.stages.comparison import Run
from logger.stages.decay_test.analysis import analyse_decay
from logger.stages.evacuation.analysis import analyse_pull_down
from logger.stages.evacuation.compare import compare as compare_pull_downs
from logger.stages.pressure_test.analysis import analyse_standing
from tests.stages.make import temperature, vacuum

Row = tuple[str, str, str, bool]
HOUR = 3600.0
PROFILE = DECAY_PROFILES["ufgs-15182"]


def run() -> list[Row]:
    """(name, value, target, met) of each."""
    rows: list[Row] = []
    for hours, period, least_ms, times in ((1.0, 6.0, 20.0, 20), (12.0, 0.1, 2000.0, 2)):
        seconds = hours * HOUR
        warm = temperature(lambda t: 293.0 + math.sin(t / 900.0), seconds)
        closed = vacuum(lambda t: 250.0 + 100.0 * t / HOUR - 50.0 * math.expm1(-t / 300.0), seconds, period=period)
        pulled = vacuum(lambda t: 300.0 + 20000.0 * math.exp(-t / 900.0), seconds, period=period)
        stood = Series("system_pressure", closed.t_s, [2e6 + p for p in closed.value], 500.0, 2000.0)
        for name, action in _actions(closed, pulled, stood, warm).items():
            ms = _best_ms(action, times)
            what = f"{name}, {len(closed)} points"
            rows.append((what, f"{ms:.1f} ms", f"< {least_ms:.0f} ms", ms < least_ms))
    return rows


def _actions(closed: Series, pulled: Series, stood: Series, warm: Series) -> dict[str, Callable[[], object]]:
    target = 500 * MICRON_PA
    return {
        "analyse a decay": lambda: analyse_decay(
            closed, profile=PROFILE, isolated_s=0.0, temperature=warm, ambient=warm
        ),
        "analyse a pull-down": lambda: analyse_pull_down(pulled, target_pa=target, temperature=warm),
        "analyse a standing pressure test": lambda: analyse_standing(
            stood, profile=PRESSURE_PROFILES["ufgs-15217n"], temperature=warm
        ),
        "compare two pull-downs": lambda: compare_pull_downs(Run("a", pulled), Run("b", pulled)),
    }


def _best_ms(action: Callable[[], object], times: int) -> float:
    best = math.inf
    for _ in range(times):
        began = time.perf_counter()
        action()
        best = min(best, time.perf_counter() - began)
    return best * 1e3
