"""Pressure test: nitrogen is shut in; is a pressure change more than the weather?"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from logger.alarms.rules import AlarmRule, Kind
from logger.model.alarm import Priority
from logger.model.drawing import Curve, PlotSpec
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.units import NS_PER_S, PSI_PA, STANDARD_ATMOSPHERE_PA
from logger.model.value import Statement, Value, known, name_of, number, unknown
from logger.physics.ambient import AmbientSource
from logger.stages.acceptance import DEFAULT_PRESSURE_PROFILE, MIN_HOLD_S, NAMED, PRESSURE_PROFILES, PressureProfile
from logger.stages.definition import LiveQuantity, Pending, Profiles, StageDefinition, StageResult, View
from logger.stages.inputs import StageInputs
from logger.stages.noticing import Notice
from logger.stages.pressure_test.words import WORDS
from logger.stages.settings import Form, setting

PRESSURE_TEST = "pressure-test"
TEST_PRESSURE_MARGIN = 1.05
FILLED_SETTLING_S = 900.0
FILLING_S, FILLING_SHARE = 60.0, 0.005  # a rise of so much of the pressure in this time is no temperature's
PRESSURE_LOST_PA = 3 * PSI_PA
APART_PA = 5 * PSI_PA
CURVE_POINTS = 120
_Q = Quantity
USUAL_TEST_PA = (STANDARD_ATMOSPHERE_PA + 5 * PSI_PA, STANDARD_ATMOSPHERE_PA + 1000 * PSI_PA)  # Rimelog default
USUAL_DESIGN_K = (233.15, 353.15)  # Rimelog default
_OWN = "Rimelog default"
Inputs = StageInputs["PressureTest"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureTest:
    test_pressure: float | None = setting(_Q.PRESSURE, "such as 150psig", USUAL_TEST_PA)
    profile: str | None = setting(Form.PROFILE, NAMED)
    share: float | None = setting(
        _Q.RATIO, "share of the volume at the system temperature, the rest at the second place: 60%; all: 100%"
    )
    design_temperature: float | None = setting(
        _Q.TEMPERATURE, "whose vapor pressure the test must reach, such as 122F", USUAL_DESIGN_K
    )
    leak_that_matters: float | None = setting(_Q.RATIO, "share of the charge a year; default 10%")


def profile_of(settings: PressureTest, profiles: Profiles) -> PressureProfile | None:
    """The acceptance profile chosen for the stage: the user's own or a published one."""
    key = settings.profile or DEFAULT_PRESSURE_PROFILE
    found = profiles.get(key) or PRESSURE_PROFILES.get(key)
    return found if isinstance(found, PressureProfile) else None


def _analyse(now: Inputs) -> StageResult:
    from logger.stages.pressure_test.analysis import Thermometer, analyse_standing
    from logger.stages.pressure_test.enough import enough

    pressure, pipe = now.series("system_pressure"), now.measured("system_temperature")
    began_s, profile = _holding_since(now, pressure), profile_of(now.settings, now.profiles)
    result = analyse_standing(
        pressure,
        profile=profile,
        temperature=pipe or now.measured("ambient_temperature"),
        thermometer=Thermometer.AIR if pipe is None else Thermometer.PIPE,
        began_s=began_s,
        ended_s=now.elapsed_s,
        gauge_reference="system_pressure" in now.gauges,
        barometer_measured=now.ambient.source is AmbientSource.MEASURED,
        ambient_pa=now.ambient.pressure_pa,
        volume_m3=now.job.volume_m3,
        second=now.measured("second_system_temperature"),
        share=now.settings.share,
        tested=now.tested(now.settings.leak_that_matters),
        enough=enough(
            now.settings.test_pressure, now.settings.design_temperature, now.refrigerant, now.ambient.pressure_pa
        ),
    )
    drop = result.drop
    change = drop if drop.number is None else known(-drop.number, "Pa", drop.u, drop.note)
    held, doing = progress(pressure, began_s, now.elapsed_s, profile.hold_s if profile else None)
    expected = result.expected
    if change.number is None and doing:
        change, expected = unknown("Pa", doing), unknown("Pa", doing)
    times = [t_s for t_s, _, _ in result.curve]
    first, last = (now.stage.begun_ns + round(times[i] * NS_PER_S) for i in (0, -1)) if len(times) > 1 else (0, 0)
    return StageResult(
        result.findings,
        live={"pressure_expected": expected, "pressure_change": change, "test_pressure_held": held},
        curves=_corrected(now, result.curve),
        held_ns=(first, last) if last > first else None,
        result=result,
    )


def progress(pressure: Series, began_s: float | None, now_s: float, hold_s: float | None) -> tuple[Value, str]:
    """(how long the test pressure was held, s; what goes on while nothing is known of a change, "" then not).

    Seconds into the stage. It is being filled while the pressure rises faster than temperature makes it.
    """
    if began_s is None or not len(pressure):
        return unknown("s", "no pressure reading yet"), ""
    asked = f"of {hold_s / 60:.0f} min" if hold_s else None
    top = max(pressure.value)
    recent = [p for t, p in zip(pressure.t_s, pressure.value, strict=True) if t >= now_s - FILLING_S]
    if now_s < began_s and recent and max(recent) - min(recent) > FILLING_SHARE * top and recent[-1] >= 0.97 * top:
        return unknown("s", "filling"), "filling: the pressure still rises"
    if now_s < began_s:
        left = math.ceil((began_s - now_s) / 60)
        return unknown("s", "settling"), f"settling: the test counts in {left} min"
    held_s = now_s - began_s
    still = f"held {held_s / 60:.0f} min; a change is shown after {MIN_HOLD_S / 60:.0f}" if held_s < MIN_HOLD_S else ""
    return known(held_s, "s", note=asked), still


def _pending(now: Inputs) -> Pending | None:
    """Nitrogen shut in at the test pressure, and the hold."""
    pressure, profile = now.series("system_pressure"), profile_of(now.settings, now.profiles)
    newest, least_pa = now.value("system_pressure"), now.settings.test_pressure or USUAL_TEST_PA[0]
    if "system_pressure" not in now.values:
        return Pending(Statement("pressure-test.not_measured"))
    if newest.number is None:
        return Pending(Statement("pressure-test.no_pressure", (name_of("why", str(newest.problem)),)))
    began_s = _holding_since(now, pressure)
    filled = bool(now.marked("holding")) or max((newest.number, *pressure.value)) >= 0.97 * least_pa
    held, _ = progress(pressure, began_s, now.elapsed_s, None)
    if began_s is None or not filled or held.problem == "filling":
        entered = now.settings.test_pressure
        wanted = () if entered is None else (number("wanted", _Q.PRESSURE, known(entered, "Pa")),)
        return Pending(Statement("pressure-test.to_fill", wanted), "holding")
    if held.number is None:
        left_s = math.ceil((began_s - now.elapsed_s) / 60) * 60.0
        return Pending(Statement("pressure-test.to_settle", (number("left", _Q.TIME, known(left_s, "s")),)))
    hold_s = profile.hold_s if profile is not None else MIN_HOLD_S
    if held.number < hold_s and not now.marked("vented"):
        asked = number("hold", _Q.TIME, known(hold_s, "s"))
        return Pending(Statement("pressure-test.to_hold", (number("lasted", _Q.TIME, held), asked)))
    return None


def _corrected(now: Inputs, curve: Sequence[tuple[float, float, float]]) -> tuple[Curve, ...]:
    """The pressure as it would be had the temperature stayed: level where nothing was lost."""
    if len(curve) < 2:
        return ()
    every = max(1, len(curve) // CURVE_POINTS)
    thin = [*curve[:-1:every], curve[-1]]
    times = [now.stage.begun_ns + round(t_s * NS_PER_S) for t_s, _, _ in thin]
    return (Curve("temperature-corrected", "system_pressure", times, [pa for _, _, pa in thin]),)


def _holding_since(now: Inputs, pressure: Series) -> float | None:
    """Seconds into the stage from which the charge is closed in: as marked, else once it stood near its highest.

    A quarter of an hour is left for the gas to come to the temperature of the pipes (common practice, no source).
    """
    marked = now.marked("holding")
    if marked:
        return now.seconds(marked[-1])
    if not len(pressure):
        return None
    top = max(pressure.value)
    full = next(t for t, p in zip(pressure.t_s, pressure.value, strict=True) if p >= 0.97 * top)
    return full + FILLED_SETTLING_S


def alarms(settings: PressureTest | None, profiles: Profiles) -> tuple[AlarmRule, ...]:
    """The alarms of a pressure test, from what was entered when the stage began."""
    only = frozenset({PRESSURE_TEST})
    test_pa = settings.test_pressure if settings is not None else None
    return (
        AlarmRule(
            "test-overpressure", Priority.URGENT, Kind.HIGH, "system_pressure", _Q.PRESSURE,
            None if test_pa is None else test_pa * TEST_PRESSURE_MARGIN, deadband=5 * PSI_PA, on_delay_s=1,
            off_delay_s=10, stages=only, latched=True, protected=True,
            basis="the job's highest test pressure; not watched while none is entered",
        ),
        AlarmRule(
            "pressure-lost", Priority.HIGH, Kind.LOW, "pressure_change",
            _Q.PRESSURE_DIFFERENCE, -PRESSURE_LOST_PA, deadband=1 * PSI_PA, on_delay_s=60, off_delay_s=60, stages=only,
            basis=_OWN,
        ),
        *(
            AlarmRule(
                f"apart-{name}", Priority.LOW, Kind.DISAGREE,
                name, _Q.PRESSURE_DIFFERENCE, APART_PA, deadband=1 * PSI_PA, on_delay_s=300, off_delay_s=60,
                stages=only, other="system_pressure", about=Statement("apart", (name_of("point", name),)), basis=_OWN,
            )
            for name in ("suction_pressure", "liquid_pressure", "discharge_pressure")
        ),
    )  # fmt: skip


def _notices() -> tuple[Notice, ...]:
    from logger.stages.pressure_test.noticing import NOTICES

    return NOTICES


DEFINITION = StageDefinition(
    kind=PRESSURE_TEST,
    label="Pressure test",
    decides="standing-pressure.verdict",
    settings=PressureTest,
    analyse=_analyse,
    view=View(
        "pressure_change",
        ("test_pressure_held", "pressure_expected"),
        "system_pressure",
        ("system_pressure", "system_temperature", "ambient_temperature"),
    ),
    live=(
        LiveQuantity("test_pressure_held", "Test pressure held", _Q.TIME, whole_stage=True),
        LiveQuantity("pressure_expected", "Expected at this temp", _Q.PRESSURE, whole_stage=True),
        LiveQuantity("pressure_change", "Change, temp-corrected", _Q.PRESSURE_DIFFERENCE, whole_stage=True),
    ),
    alarms=alarms,
    silence_matters=frozenset({"system_pressure"}),
    plots=(
        PlotSpec("Pressure in the hold", ("system_pressure",), hold=True),
        PlotSpec("Pressure", ("system_pressure",)),
        PlotSpec("Temperatures", ("system_temperature", "ambient_temperature")),
    ),
    listed=("system", "ambient", "barometer"),
    profiles=PRESSURE_PROFILES,
    profile=DEFAULT_PRESSURE_PROFILE,
    acts=("nitrogen-filled", "holding", "vented"),
    pending=_pending,
    notices=_notices,
    words=WORDS,
    question="Does the system hold nitrogen pressure?",
    figures=tuple(("standing-pressure.verdict", name) for name in ("start", "end", "lasted", "drop", "smallest_drop")),
)
