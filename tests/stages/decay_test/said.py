"""Each thing that is said of a decay test (tests/words.py). Invented figures."""

from collections.abc import Sequence
from dataclasses import replace

from logger.model.finding import Finding
from logger.model.points import Quantity
from logger.model.sample import Gap, Series
from logger.model.units import MICRON_PA
from logger.model.value import Argument, Statement, Value, known, number, unknown, word
from logger.physics.leak_flow import ServiceGas, refrigerant_loss
from logger.stages.acceptance import DECAY_PROFILES, DecayProfile, HoldStep
from logger.stages.decay_test.analysis import _no_profile, _nothing
from logger.stages.decay_test.cause import RiseCause, RiseJudgment
from logger.stages.decay_test.definition import DecayTest, alarms
from logger.stages.decay_test.findings import cause_finding, gauge_doubt_finding, leak_findings, water_findings
from logger.stages.decay_test.gauge import Suspicion
from logger.stages.decay_test.hold import Held, judge_hold
from logger.statistics.isolation import Isolation
from tests.stages.hidden import hidden_said

HOUR = 3600.0
PER_HOUR = MICRON_PA / HOUR
UFGS = DECAY_PROFILES["ufgs-15182"]
NAVY = DECAY_PROFILES["ufgs-15741n"]
FIRST, LAST = HoldStep(None, 1800.0, 500 * MICRON_PA), HoldStep(None, 4 * HOUR, None, 100 * MICRON_PA)
OWN = replace(UFGS, key="shop", label="up to 100 microns in 4 h", source="own", ambient_min_k=None)
RISE = replace(OWN, steps=(FIRST, LAST))
BOTH = replace(OWN, steps=(HoldStep(300 * MICRON_PA, HOUR, 500 * MICRON_PA, 150 * MICRON_PA),))
TOP = number("gauge_top", Quantity.VACUUM, known(20_000 * MICRON_PA, "Pa"))
BOTTOM = number("gauge_bottom", Quantity.VACUUM, known(12 * MICRON_PA, "Pa"))


def microns(value: float, u: float = 6.0) -> Value:
    return known(value * MICRON_PA, "Pa", u * MICRON_PA)


def air(celsius: float) -> Series:
    return Series("ambient_temperature", [0.0, HOUR, 9 * HOUR], [celsius + 273.15] * 3, u=0.1, u_scale=0.3)


WARM = air(23.8)


def held(
    start: float, top: float, seconds: float = HOUR, gaps: Sequence[Gap] = (), limit: Argument | None = None
) -> Held:
    """A hold from isolation at `start` to a highest reading, microns."""
    curve = tuple((seconds * i / 20, (start + (top - start) * i / 20) * MICRON_PA) for i in range(21))
    return Held(
        microns(start), microns(top), microns(top), microns(top - start, 2.0), 0.0, seconds, tuple(gaps), limit, curve
    )  # fmt: skip


def judged(
    hold: Held, profile: DecayProfile = UFGS, ambient: Series | None = WARM, *, step: int = -1, earlier_held: int = 9,
    evacuations: int | None = 3, accuracy_stated: bool = True, signs: Sequence[Suspicion] = (),
) -> Finding:  # fmt: skip
    return judge_hold(
        hold, profile, step=step, earlier_held=earlier_held, evacuations=evacuations, ambient=ambient,
        suspected=signs, accuracy_stated=accuracy_stated,
    )  # fmt: skip


def leaking(finding: Finding) -> Finding:
    """As analyse_decay adds it."""
    return replace(finding, inputs=(*finding.inputs, word("more", "steady_rise")))


NONE = unknown("Pa", "too few readings after isolation")
NO_READINGS = Held(NONE, NONE, NONE, NONE, 0.0, 40.0, (), None)
NOT_ISOLATED = _nothing(Isolation(None), "no lasting rise seen; mark the moment the pump was valved off")


def pressures(**microns_each: float) -> tuple[Argument, ...]:
    return tuple(number(name, Quantity.VACUUM, known(v * MICRON_PA, "Pa")) for name, v in microns_each.items())


SIGNS = (
    Suspicion("gauge-stuck", (number("unchanged_for", Quantity.TIME, known(2480.0, "s")),)),
    Suspicion("reading-falls", pressures(fell_from=412, fell_to=318)),
    Suspicion("gauge-erratic", (number("swings", Quantity.COUNT, known(7.0, "1")), *pressures(swings_by=22))),
    Suspicion("gauges-disagree", pressures(other_gauge=21_400, vacuum_gauge=260)),
    Suspicion("gauge-valved-off"),
    Suspicion("gauge-above-pump", pressures(under_pump=231, pump_limit=35)),
    Suspicion("still-pumped"),
)
VERDICTS = (
    judged(held(187, 214)),
    leaking(judged(held(187, 331))),
    judged(held(187, 214), accuracy_stated=False),
    judged(held(410, 433, 1800.0), RISE, step=0),
    judged(held(244, 287, 4 * HOUR), RISE),
    judged(held(187, 214), BOTH),
    judged(held(187, 185.6), BOTH),
    judged(held(248, 561)),
    judged(held(248, 512.4)),
    judged(held(244, 391, 4 * HOUR), RISE),
    judged(NO_READINGS),
    judged(held(187, 214, limit=TOP)),
    judged(held(187, 214, limit=BOTTOM)),
    judged(held(187, 214, gaps=(Gap(600.0, 1330.0, "link lost"),))),
    judged(held(187, 214, gaps=tuple(Gap(400.0 * i, 400.0 * i + 90.0, "link lost") for i in range(1, 6)))),
    judged(held(187, 214, 3588.0 - 400.0)),
    judged(held(337, 352)),
    judged(held(294, 311)),
    judged(held(516, 530), NAVY),
    judged(held(530, 541), replace(UFGS, key="shop", steps=(HoldStep(None, HOUR, 500 * MICRON_PA),))),
    judged(held(248, 494)),
    judged(held(244, 342, 4 * HOUR), RISE),
    judged(held(244, 287, 4 * HOUR), RISE, earlier_held=0),
    judged(held(187, 214, 2 * HOUR), NAVY, evacuations=None),
    judged(held(187, 214, 2 * HOUR), NAVY, evacuations=2),
    judged(held(187, 214), ambient=None),
    judged(held(187, 214), ambient=air(-1.4)),
    *(judged(held(187, 214), signs=(sign,)) for sign in SIGNS),
    _no_profile(held(187, 214)),
    NOT_ISOLATED.verdict,
)


def cause(
    found: RiseCause, per_hour: float, u: float, at_most: float, *, level: float | None = None, isolate_s: float = 0.0,
    why: str = "", temperature_known: bool = True, fell: float = 0.0,
) -> Finding:  # fmt: skip
    """per_hour, u, at_most: microns an hour."""
    settles_s = 380.0 if level is not None else 0.0
    level_pa = None if level is None else level * MICRON_PA
    judgement = RiseJudgment(
        found, per_hour * PER_HOUR, u * PER_HOUR, at_most * PER_HOUR, 3.29 * u * PER_HOUR, 0.996, level_pa, settles_s,
        isolate_s, why, fell * MICRON_PA,
    )  # fmt: skip
    rate, smallest = known(per_hour * PER_HOUR, "Pa/s", u * PER_HOUR), known(3.29 * u * PER_HOUR, "Pa/s")
    largest = known(at_most * PER_HOUR, "Pa/s")
    return cause_finding(found, judgement, (), rate, smallest, largest, HOUR, temperature_known)


TOO_SHORT = unknown("Pa/s", "isolated for less than the five minutes that a rise is judged by")
NO_RATE = unknown("Pa/s", "the gauge cannot be trusted")
CAUSES = (
    cause(RiseCause.TIGHT, 2.1, 1.1, 4.8),
    cause(RiseCause.TIGHT, 2.1, 1.1, 4.8, temperature_known=False),
    cause(RiseCause.LEVELS_OFF, 3.4, 1.8, 7.1, level=431),
    cause(RiseCause.LEVELS_OFF, 3.4, 1.8, 7.1),
    cause(RiseCause.LEAK, 218, 3.1, 225),
    cause(RiseCause.LEAK_AND_RISE, 143, 6.2, 157, level=446),
    cause(RiseCause.LEAK_AND_RISE, 143, 6.2, 157),
    cause(RiseCause.MASKED, 61, 40, 142, level=2240),
    *(cause(RiseCause.CANNOT_TELL, 31, 24, 80, why=why, isolate_s=isolate_s) for why, isolate_s in (
        ("still_rising", 2.2 * HOUR), ("isolated_too_high", 0.0), ("vapor_follows_temperature", 3 * HOUR),
        ("scatter", 5400.0), ("could_hide", 0.0), ("could_hide", 19 * HOUR), ("too_short", 5400.0),
        ("taken_up", 2 * HOUR),
    )),
    cause(RiseCause.MASKED, 61, 40, 142, level=2240, isolate_s=3 * HOUR),
    cause(RiseCause.CANNOT_TELL, -12, 24, 80, why="taken_up", isolate_s=2 * HOUR, fell=13),
    cause_finding(RiseCause.CANNOT_TELL, None, SIGNS, NO_RATE, NO_RATE, NO_RATE, HOUR, True),
    *(
        cause_finding(RiseCause.CANNOT_TELL, None, (sign,), NO_RATE, NO_RATE, NO_RATE, HOUR, True)
        for sign in (Suspicion("gauge_top", (TOP,)), Suspicion("gauge_bottom", (BOTTOM,)))
    ),
    cause_finding(RiseCause.CANNOT_TELL, None, (), TOO_SHORT, TOO_SHORT, TOO_SHORT, 200.0, True),
    NOT_ISOLATED.findings[1],
)  # fmt: skip
GAS = ServiceGas("R-407C", 0.0862, 1.04e6, 12.1e-6)
FLOW = known(2.17e-4, "Pa.m3/s", 1.2e-5)
NO_FLOW = unknown("Pa.m3/s", "the system's volume is not known, and without it there is no leak rate")
MOIST = RiseCause.LEVELS_OFF
SAID = (
    *hidden_said("decay.hidden"),
    *alarms(None, {}),
    *alarms(DecayTest(), {}),
    *VERDICTS,
    *CAUSES,
    gauge_doubt_finding(230.0, 38.0),
    *leak_findings(RiseCause.LEAK, FLOW, refrigerant_loss(FLOW, GAS), GAS),
    *leak_findings(RiseCause.LEAK, FLOW, None, None),
    *leak_findings(RiseCause.LEAK, NO_FLOW, None, GAS),
    *water_findings(MOIST, microns(18_900), 18_700 * MICRON_PA, 294.9),
    *water_findings(MOIST, microns(26_300), 27_100 * MICRON_PA, 294.9),
    *water_findings(MOIST, microns(431), 430 * MICRON_PA, 294.9),
    *water_findings(MOIST, microns(5900), 5850 * MICRON_PA, None),
    *(
        Statement("decay.valved_off", (word("seen", seen), number("vacuum", Quantity.VACUUM, known(28.3, "Pa"))))
        for seen in ("rises", "steady")
    ),
    Statement("decay.to_isolate"),
    Statement(
        "decay.to_hold",
        tuple(number(name, Quantity.TIME, known(s, "s")) for name, s in (("lasted", 754.0), ("hold", 3600.0))),
    ),
)
