"""Each thing that is said of a recovery (tests/words.py). Invented figures."""

from datetime import date

from logger.model.finding import Finding
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.value import Argument, Statement, Value, known, name_of, number, unknown, word
from logger.refrigerant import find
from logger.scale.ledger import Leg, MassLedger
from logger.stages.recovery.analysis import Stall, condensing_finding, mass_finding, phase_finding, stall_finding
from logger.stages.recovery.definition import alarms
from logger.stages.recovery.level import judge_level, required_level
from logger.stages.recovery.rebound import judge_rebound
from logger.stages.recovery.stall import StallCause, inputs_of, stall_causes

R407C = find("R-407C")
OLD, NEW = date(1991, 4, 2), date(2014, 8, 1)
ONE = MassLedger(0.01, legs=(Leg("R-7", 24.1, 54.95, 20.0),))
UNNAMED = MassLedger(0.01, legs=(Leg("", 24.1, 54.95, 20.0),))
SEVERAL = MassLedger(
    0.01,
    legs=(Leg("R-7", 24.1, 44.6, 20.0), Leg("R-9", 21.8, 30.2, 2100.0), Leg("", 22.4, 24.35, 3300.0)),
    steps=((0.32, 0.02), (-0.11, 0.02)),
)
BEFORE = {
    "recovery_inlet_pressure": 7.4e5, "recovery_outlet_pressure": 1.26e6, "cylinder_pressure": 1.12e6,
    "cylinder_temperature": 301.0, "ambient_temperature": 298.0,
}  # fmt: skip
LIQUID, VAPOR = known(0.0524, "kg/s", 0.0003), known(0.0158, "kg/s", 0.0002)
NO_LIQUID, NO_VAPOR = unknown("kg/s", "too little liquid was recovered"), unknown("kg/s", "too little vapor")


def readings(now: dict[str, float]) -> dict[str, Value]:
    return {point: known(si, "K" if point.endswith("temperature") else "Pa") for point, si in now.items()}


def stalled(fill: float | None = None, peak_pa: float | None = None, **now: float) -> list[StallCause]:
    inside = None if fill is None else known(fill, "1")
    return stall_causes(readings(BEFORE | now), readings(BEFORE), R407C, inside, peak_pa)


STALLS = (
    stalled(fill=0.81),
    stalled(cylinder_pressure=1.75e6),
    stalled(cylinder_temperature=322.0, cylinder_pressure=1.9e6),
    stalled(cylinder_temperature=306.0, cylinder_pressure=1.3e6, recovery_outlet_pressure=1.36e6),
    stalled(system_pressure=8.1e5, recovery_inlet_pressure=2.6e5),
    stalled(recovery_inlet_pressure=1.1e5, system_pressure=1.12e5),
    stalled(recovery_outlet_pressure=2.05e6),
    stalled(recovery_outlet_pressure=1.15e6, peak_pa=3.7e6),
    stalled(recovery_outlet_pressure=1.12e6),
    stalled(),
)


def pulled(low_pa: float, back_pa: float, after_s: float, creep_pa_s: float = 0.0, u_pa: float = 300.0) -> Series:
    """System pressure: down in 20 min, back within three, and then a creep."""
    t = [5.0 * i for i in range(int((1200 + after_s) / 5) + 1)]
    back = [0.0 if x < 1200 else back_pa * min(1.0, (x - 1200) / 180) + creep_pa_s * (x - 1200) for x in t]
    down = [7e5 - (7e5 - low_pa) * min(x, 1200) / 1200 for x in t]
    return Series("system_pressure", t, [a + b for a, b in zip(down, back, strict=True)], 60.0, u_pa)


def level(settled_pa: float | None, kind: str | None, charge_kg: float | None, made: date | None) -> Finding:
    settled = unknown("Pa", "still settling, 4 min 10 s of 5 min 00 s left")
    if settled_pa is not None:
        settled = known(settled_pa, "Pa", 700.0)
    return judge_level(required_level(kind, charge_kg, made), settled, None if settled_pa is None else 940.0)


def rebound(series: Series, shell_k: float | None = None) -> Finding:
    around = None if shell_k is None else Series("system_temperature", (0.0, 9000.0), (shell_k, shell_k))
    return judge_rebound(series, required_level("high", 120.0, NEW), refrigerant=R407C, temperature=around).findings[1]


def time(name: str, seconds: float) -> Argument:
    return number(name, Quantity.TIME, known(seconds, "s"))


def flow(phase: str, kg_s: float, *more: Argument) -> Statement:
    rate = number("rate", Quantity.MASS_RATE, known(kg_s, "kg/s", 1e-4))
    return Statement("recovery.flow", (word("phase", phase), rate, *more))


ENDED = tuple(
    number(name, Quantity.MASS_RATE, known(kg_s, "kg/s")) for name, kg_s in (("rate", 0.011), ("before", 0.054))
)
SAID = (
    *alarms(None, {}),
    mass_finding(ONE.moved, ONE),
    mass_finding(UNNAMED.moved, UNNAMED),
    mass_finding(SEVERAL.moved, SEVERAL),
    mass_finding(unknown("kg", "no settled reading of the scale yet"), MassLedger(0.01)),
    phase_finding(LIQUID, VAPOR, 1740.0, ()),
    phase_finding(LIQUID, VAPOR, None, ()),
    phase_finding(LIQUID, NO_VAPOR, None, ()),
    phase_finding(NO_LIQUID, VAPOR, None, ()),
    *(
        phase_finding(NO_LIQUID, NO_VAPOR, None, because)
        for because in (
            ("no_rate",), ("too_little",), ("fits_either",), ("too_fast_for_vapor", "inlet_superheated"),
            ("inlet_saturated", "rate_fell"), ("rate_rose",), ("outlet_rose",),
        )
    ),
    *(stall_finding(Stall(3120.0, 3960.0, tuple(causes))) for causes in STALLS),
    stall_finding(Stall(3120.0, 3960.0, ())),
    *condensing_finding(known(11.2, "K", 0.6)),
    level(61_000.0, "high", 120.0, NEW),
    level(72_500.0, "high", 120.0, NEW),
    level(67_700.0, "high", 120.0, NEW),
    level(67_388.0, "medium", 40.0, NEW),
    level(80_000.0, "high", 120.0, OLD),
    level(50_000.0, "medium", None, None),
    level(95_000.0, "very high", 14.0, NEW),
    level(80_000.0, "medium", 2.1, NEW),
    level(2_400.0, "low", 300.0, NEW),
    level(None, "high", 120.0, NEW),
    level(61_000.0, None, 120.0, NEW),
    judge_level(required_level("high", 12.0, NEW), known(1.67e5, "Pa", 700.0), 170.0, settled_yet=False),
    judge_level(required_level("high", 120.0, NEW), known(0.6e5, "Pa", 200.0), 940.0, accuracy_stated=False),
    judge_level(required_level("high", 120.0, NEW, leaking=True), known(0.98e5, "Pa", 700.0), 940.0),
    judge_level(required_level("high", 120.0, NEW, class_estimated=True), known(0.6e5, "Pa", 700.0), 940.0),
    judge_level(required_level("high", 120.0, NEW, minor_repair=True), known(1.3e5, "Pa", 700.0), 940.0),
    rebound(pulled(5.1e4, 2.1e3, 900.0)),
    rebound(pulled(5.1e4, 1.8e4, 900.0)),
    rebound(pulled(5.1e4, 1.8e4, 900.0, creep_pa_s=9.0)),
    rebound(pulled(5.1e4, 6.9e5, 900.0), 292.0),
    Statement("recovery.flow_unknown", (name_of("why", "scale: no reading for 14 s"),)),
    flow("liquid", 0.0524),
    flow("vapor", 0.0158),
    flow(
        "vapor", 0.0158, time("since", 740.0),
        number("inlet_superheat", Quantity.TEMPERATURE_DIFFERENCE, known(6.4, "K", 0.4)),
    ),
    flow("not_clear", 0.0231),
    flow("no_flow", 0.0),
    Statement("recovery.stalled", (time("lasted", 310.0),)),
    *(Statement("recovery.stalled", (time("lasted", 310.0), *inputs_of(causes[:1]))) for causes in STALLS),
    Statement("recovery.first", (word("first", "cylinder"), time("soonest", 170.0), time("latest", 176.0))),
    Statement("recovery.first", (word("first", "cylinder"), time("soonest", 85.0), time("latest", 200.0))),
    Statement("recovery.first", (word("first", "system"), time("soonest", 1100.0))),
    Statement("recovery.first", (word("first", "system"),)),
    Statement("recovery.first", (word("first", "either"), time("soonest", 540.0), time("latest", 580.0))),
    Statement("recovery.first", (word("first", "cylinder_alone"), time("soonest", 540.0), time("latest", 580.0))),
    *(
        Statement(
            f"recovery.{key}",
            tuple(number(n, Quantity.PRESSURE, known(pa, "Pa")) for n, pa in (("pressure", 17e4), ("required", 6.8e4))),
        )
        for key in ("to_pull", "to_stop", "to_go_on", "too_close")
    ),
    Statement("recovery.to_settle", (time("lasted", 200.9), time("asked", 300.0))),
    *(
        Statement("recovery.started", (word("seen", seen), number("rate", Quantity.MASS_RATE, known(0.054, "kg/s"))))
        for seen in ("machine", "weight")
    ),
    Statement("recovery.liquid_ended", ENDED),
    Statement("recovery.over", (number("moved", Quantity.MASS, known(43.2, "kg")),)),
)  # fmt: skip
