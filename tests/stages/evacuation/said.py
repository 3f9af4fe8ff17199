"""Each thing that is said of an evacuation (tests/words.py). Invented figures."""

from logger.model.finding import Finding
from logger.model.points import Quantity
from logger.model.units import MICRON_PA
from logger.model.value import Statement, Value, known, name_of, number, unknown
from logger.stages.evacuation.analysis import RESERVATION
from logger.stages.evacuation.definition import alarms
from logger.stages.evacuation.findings import (
    Gain,
    count_finding,
    gain_finding,
    plateau_finding,
    progress_finding,
    standstill_findings,
)
from logger.stages.evacuation.standstill import Origin, Reason, Standstill
from logger.stages.evacuation.stretches import EvacuationRun, Plateau

TARGET = 350 * MICRON_PA
NO_TARGET = unknown("s", "no target was set")
TOO_FEW = unknown("s", "too few readings yet")
MAYBE = unknown("s", "it may level off above the target")


def microns(number: float, u: float | None = None) -> Value:
    return known(number * MICRON_PA, "Pa", None if u is None else u * MICRON_PA)


def minutes(number: float, note: str | None = None) -> Value:
    return known(60.0 * number, "s", note=note)


def progress(
    state: str,
    now: float,
    per_minute: float | None,
    likely: Value = NO_TARGET,
    soonest: Value = NO_TARGET,
    latest: Value = NO_TARGET,
    target: float | None = 350.0,
) -> Finding:
    """now, target: microns; per_minute: microns a minute."""
    rate, pressure_rate = known(-1.3, "h-1", 0.02), unknown("Pa/s", "too few readings for a rate")
    if per_minute is not None:
        pressure_rate = known(per_minute * MICRON_PA / 60.0, "Pa/s", 0.01 * abs(per_minute) * MICRON_PA / 60.0)
    target_pa = None if target is None else target * MICRON_PA
    return progress_finding(state, rate, pressure_rate, likely, soonest, latest, target_pa, now * MICRON_PA)


def no_progress(why: str, now: float | None) -> Finding:
    none = unknown("s", why)
    now_pa = None if now is None else now * MICRON_PA
    return progress_finding("unknown", unknown("h-1", why), unknown("Pa/s", why), none, none, none, TARGET, now_pa)


def stalled(
    level: float,
    *reasons: Reason,
    drift: float = 0.004,
    target: float | None = 350.0,
    water_k: float | None = 263.4,
    near_k: float | None = 294.7,
) -> tuple[Finding, ...]:
    """level, target: microns."""
    standstill = Standstill(
        level * MICRON_PA, 4 * MICRON_PA, drift, 0.002, reasons, water_k, (water_k or 0.0) < 273.15, near_k,
        5 * MICRON_PA, 22_000 * MICRON_PA, 40 * MICRON_PA, 880 * MICRON_PA,
    )  # fmt: skip
    target_pa = None if target is None else target * MICRON_PA
    return tuple(standstill_findings(standstill, target_pa, stalled=True))


LEAK = Reason(Origin.LEAK, 2.5, ("steady_base", "earlier_same"))
PUMP = Reason(Origin.PUMP, 2.0, ("steady_base", "above_pump_limit"))
OIL = Reason(Origin.OUTGASSING, 0.5, ("oil_store",))


def gain(helped: bool) -> Finding:
    after = microns(310, 2) if helped else microns(905, 3)
    return gain_finding(Gain("oil changed", 5400.0, microns(920, 3), microns(908, 4), after, stood=True))


def counted(lowest: tuple[float, ...], required: int | None, target_pa: float | None = TARGET) -> Finding:
    last = len(lowest) - 1
    runs = [
        EvacuationRun(7200.0 * i, 7200.0 * i + 6000.0, micron * MICRON_PA, None if i == last else 7200.0 * i + 6100.0)
        for i, micron in enumerate(lowest)
    ]
    return count_finding(runs, required, target_pa)


SAID = (
    *alarms(None, {}),
    progress("pulling", 4260, -212.0, minutes(38), minutes(33), minutes(46)),
    progress("pulling", 4260, -212.0, target=None),
    progress("pulling", 4260, None, TOO_FEW, TOO_FEW, TOO_FEW),
    progress("tailing", 640, -8.2, minutes(71, RESERVATION), minutes(52, RESERVATION), minutes(105, RESERVATION)),
    progress("tailing", 640, -8.2, minutes(71), minutes(52), MAYBE),
    progress("tailing", 640, -8.2, MAYBE, minutes(52), MAYBE),
    progress("tailing", 640, -8.2, MAYBE, MAYBE, MAYBE),
    progress("tailing", 352, -0.4, minutes(0), minutes(0), minutes(0)),
    progress("stalled", 904, -0.1, unknown("s", "stalled short of the target")),
    progress("reached", 281, -0.6, minutes(0), minutes(0), minutes(0)),
    progress("rising", 1180, 64.0, unknown("s", "the pressure is rising")),
    progress("unknown", 5200, -3.0, TOO_FEW, TOO_FEW, TOO_FEW),
    no_progress("no readings yet", None),
    no_progress("too few readings for a rate", 5200),
    *stalled(904, LEAK, PUMP, OIL),
    *stalled(362, Reason(Origin.PUMP, 5.0, ("pump_limit", "oil_helped", "water_in_oil")), LEAK),
    *stalled(904, Reason(Origin.OUTGASSING, 3.0, ("still_falling",)), Reason(Origin.LEAK, 0.4, ("not_steady",)),
             drift=-0.058),
    *stalled(19_700, Reason(Origin.WATER, 5.0, ("boils_at", "temperature_agrees")), water_k=295.1, target=None),
    *stalled(2010, Reason(Origin.WATER, 3.5, ("boils_at", "boiling_cools", "level_rises")), drift=0.051),
    *stalled(2010, Reason(Origin.WATER, 2.0, ("boils_at", "boiling_cools", "level_falls")), LEAK, drift=-0.051),
    *stalled(2010, Reason(Origin.WATER, 1.5, ("boils_at", "no_temperature")), near_k=None),
    *stalled(3900, LEAK, Reason(Origin.WATER, 0.4, ("too_cold_for_water",)), near_k=266.0),
    *stalled(22_000, Reason(Origin.GAUGE_CEILING, 10.0, ("at_gauge_top",))),
    *stalled(5, Reason(Origin.GAUGE_FLOOR, 10.0, ("at_gauge_bottom",)), target=None),
    plateau_finding(Plateau(1900.0, 4060.0, 3480 * MICRON_PA, 270.06)),
    plateau_finding(Plateau(1900.0, 4060.0, 120 * MICRON_PA, None)),
    gain(helped=True),
    gain(helped=False),
    counted((446.0, 310.0, 232.0), 3, 500 * MICRON_PA),
    counted((446.0, 310.0), 3),
    counted((446.0, 310.0), None, None),
    counted((310.0,), 2),
    Statement("evacuation.not_measured"),
    Statement("evacuation.no_vacuum", (name_of("why", "no reading for 9 s"),)),
    Statement(
        "evacuation.to_pull",
        tuple(number(name, Quantity.VACUUM, microns(n)) for name, n in (("vacuum", 4210), ("target", 500))),
    ),
    Statement("evacuation.pump_started"),
    Statement("evacuation.pump_started", (number("pressure", Quantity.VACUUM, known(2200.0, "Pa")),)),
)  # fmt: skip
