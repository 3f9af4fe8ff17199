"""Random vacuum cases: deterministic, fast, and true to the kind they name."""

from dataclasses import replace

import pytest

from sim_device.errors import BadSetting
from sim_device.physics.gas import Leak
from sim_device.physics.water import vapour_pressure_pa
from sim_device.plant import Plant
from sim_device.vacuum import (
    KINDS,
    MICRON_PA,
    PULL_DOWN_KINDS,
    VacuumCase,
    decay_series,
    pull_down_series,
    random_decay,
    random_pull_down,
)


def _shown(readings: list[float | None]) -> list[float]:
    return [p for p in readings if p is not None]


def test_same_seed_same_series() -> None:
    for seed in range(5):
        case = random_decay(seed)
        assert case == random_decay(seed)
        assert decay_series(case, seed) == decay_series(case, seed)
        assert decay_series(case, seed)[1] != decay_series(case, seed + 1)[1]


@pytest.mark.parametrize("kind", KINDS)
def test_decay_is_what_its_kind_says(kind: str) -> None:
    for seed in range(12):
        case = replace(random_decay(seed, kind), noise=0.0, gauge_scale=1.0, ceiling_pa=1e6)
        t_s, readings, temps = decay_series(case, seed)
        shown = _shown(readings)
        assert len(t_s) == len(readings) == len(temps) == case.duration_s / case.period_s + 1
        per_hour = (shown[-1] - shown[0]) / (case.duration_s / 3600)
        if kind == "tight":
            assert per_hour < 60 * MICRON_PA
        if kind == "leak":
            q_pa_hour = case.leak.size_pa_m3_s * 3600 / case.volume_m3
            assert per_hour == pytest.approx(q_pa_hour, rel=0.35, abs=40 * MICRON_PA)
            assert q_pa_hour > 240 * MICRON_PA
        if "wet" in kind:
            water_pa = vapour_pressure_pa(min(temps) - 25.0)
            assert shown[-1] > shown[0] + min(100 * MICRON_PA, water_pa)
        if kind == "wet":
            # never above the vapour pressure of water, but for what is left of air
            assert shown[-1] < vapour_pressure_pa(max(temps)) + 400 * MICRON_PA
        if kind == "oily":
            assert shown[-1] - shown[len(shown) // 2] < shown[len(shown) // 2] - shown[0]


@pytest.mark.parametrize("kind", PULL_DOWN_KINDS)
def test_pull_down_ends_where_its_kind_stalls(kind: str) -> None:
    for seed in range(6):
        case = random_pull_down(seed, kind)
        _, readings, _ = pull_down_series(case, seed)
        shown = _shown(readings)
        assert readings[0] is None  # one bar is beyond the gauge
        if kind == "clean":
            assert shown[-1] < 150 * MICRON_PA
        if kind == "pump_oil":
            assert shown[-1] == pytest.approx(case.pump_base_pa, rel=0.15)
        if kind == "leak":
            assert shown[-1] > case.pump_base_pa + 0.8 * case.leak.size_pa_m3_s / case.pump_m3_s


def test_fast_path_and_plant_agree() -> None:
    """The same circuit by `decay_series` and by a whole plant."""
    case = VacuumCase(
        leak=Leak(1e-3), walls_conductance_m3_s=0.0, walls_pa=0.0, noise=0.0, duration_s=1800, start_pa=5e4,
        target_pa=0.0, pump_s=1800.0, step_pa=1e-6, floor_pa=0.0,
    )  # fmt: skip
    _, readings, _ = decay_series(case)
    plant = Plant("leak", 1, autopilot=False)
    plant.circuit.walls.held_mol = plant.circuit.walls.conductance_m3_s = 0.0
    plant.do("start_pump")
    plant.advance_to(1800)
    plant.do("isolate")
    plant.advance_to(3600)
    assert readings[-1] == pytest.approx(plant.truth()["circuit_pa"], rel=0.01)


def test_settings_that_make_no_sense() -> None:
    with pytest.raises(BadSetting, match="period"):
        decay_series(VacuumCase(period_s=0.0))
    with pytest.raises(BadSetting, match="leak_and_wet"):
        random_decay(1, "damp")
