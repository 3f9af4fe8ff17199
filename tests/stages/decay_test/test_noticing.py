"""Valved off, by a gauge alone: water that warms under a running pump is no rise, a shut valve is."""

import math
import random
from collections.abc import Callable

import pytest

from logger.model.units import MICRON_PA
from logger.stages.decay_test.noticing import NOTICES
from logger.stages.noticing import Noticed, Signals

SHUT_S = 2000


def boiling(t: int) -> float:
    """A pull-down that water holds at some 1,060 microns, warming by 0.5 % a minute."""
    return 60_000.0 * math.exp(-t / 25.0) + 1_055.0 * (1.0 + 0.005 * max(0.0, t - 600) / 60.0)


def shut(t: int) -> float:
    return boiling(t) + (8.0 * (t - SHUT_S) if t > SHUT_S else 0.0)


def leaking(t: int) -> float:
    """At the pump's limit, then 6 microns a minute of air."""
    return 60_000.0 * math.exp(-t / 60.0) + 150.0 + 0.1 * max(0, t - SHUT_S)


def seen(microns: Callable[[int], float], seconds: int) -> list[tuple[int, Noticed]]:
    signals, detector, rng = Signals(lambda point: 0.04), NOTICES[0].detector(), random.Random(1)
    found = []
    for t in range(1, seconds):
        pressure_pa = microns(t) * MICRON_PA
        signals.second(t, {"vacuum": pressure_pa + rng.gauss(0.0, 0.0017 * pressure_pa + 0.04)})
        if (one := detector.second(signals)) is not None:
            found.append((t, one))
    return found


def test_water_that_warms_under_a_running_pump_is_not_called_a_rise() -> None:
    assert not seen(boiling, 3600)


@pytest.mark.parametrize(("microns", "how", "late_s"), [(shut, "rises", 60), (leaking, "rises", 300)])
def test_a_shut_valve_is_seen_with_its_time(microns: Callable[[int], float], how: str, late_s: int) -> None:
    t, found = next(one for one in seen(microns, SHUT_S + 400) if one[1].about.inputs[0].value == how)
    assert SHUT_S < t <= SHUT_S + late_s
    assert abs(found.as_of - SHUT_S) < 60
