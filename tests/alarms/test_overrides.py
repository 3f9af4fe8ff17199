"""The user's [alarms] table."""

import tomllib

import pytest

from logger.alarms.alarm_engine import AlarmEngine
from logger.alarms.errors import OverrideError
from logger.alarms.overrides import apply_overrides
from logger.alarms.rules import AlarmRule, Kind
from logger.model.alarm import Priority
from logger.model.points import POINTS, Quantity
from logger.model.units import MICRON_PA, PSI_PA
from logger.pipeline.job_alarms import all_rules
from logger.stages import registry
from logger.stages.words import alarm_text
from logger.wording.values import Shown

KINDS = tuple(one.kind for one in registry.STAGES)
RULES = all_rules(tuple(POINTS), {"scale": "Scale"})


def apply(text: str, ambient_pa: float = 101325.0) -> dict[str, AlarmRule]:
    table = tomllib.loads(text)["alarms"]
    sources = {name: point.quantity for name, point in POINTS.items() if name != "barometer"}
    sources |= {"mass_rate": Quantity.MASS_RATE, "time_to_limit": Quantity.TIME}
    return {rule.key: rule for rule in apply_overrides(RULES, table, ambient_pa, sources, KINDS)}


def problems(text: str) -> list[str]:
    with pytest.raises(OverrideError) as caught:
        apply(text)
    return caught.value.problems


def test_settings_in_the_users_units() -> None:
    rules = apply(
        """
        [alarms.overfill-soon]
        limit = "85%"
        on_delay = "1s"
        [alarms.outlet-pressure]
        limit = "300psig"
        deadband = "15psi"
        priority = "high"
        [alarms.cylinder-hot]
        limit = "45C"
        deadband = "5F"
        latched = true
        label = "Cylinder\\u001b[2J warm"
        [alarms.vacuum-rise]
        limit = "100micron"
        on_delay = "24h"
        off_delay = "0s"
        [alarms.no-data-barometer]
        enabled = false
        """,
        ambient_pa=83400.0,
    )
    assert rules["overfill-soon"].limit == pytest.approx(0.85)
    assert rules["overfill-soon"].basis == "set by the user"
    assert rules["outlet-pressure"].limit == pytest.approx(300 * PSI_PA + 83400.0)
    assert rules["outlet-pressure"].deadband == pytest.approx(15 * PSI_PA)
    assert rules["outlet-pressure"].priority is Priority.HIGH
    assert rules["cylinder-hot"].limit == pytest.approx(318.15)
    assert rules["cylinder-hot"].deadband == pytest.approx(5 / 1.8)
    assert rules["cylinder-hot"].latched
    assert alarm_text(rules["cylinder-hot"], Shown()).label == "Cylinder[2J warm"
    assert rules["vacuum-rise"].limit == pytest.approx(100 * MICRON_PA)
    assert (rules["vacuum-rise"].on_delay_s, rules["vacuum-rise"].off_delay_s) == (86_400, 0)
    assert "no-data-barometer" not in rules


def test_a_protected_alarm_may_be_left_as_it_is_or_made_tighter() -> None:
    same = apply('[alarms.overfill]\nlimit="100%"\nremind="300s"\ndeadband="1%"\noff_delay="10s"\non_delay="0s"')
    built_in = next(rule for rule in RULES if rule.key == "overfill")
    assert (same["overfill"].limit, same["overfill"].remind_s) == (built_in.limit, built_in.remind_s)
    tight = apply(
        """
        [alarms.overfill]
        limit = "95%"
        remind = "299s"
        deadband = "1.1%"
        off_delay = "11s"
        [alarms.overfill-soon]
        latched = true
        priority = "urgent"
        on_delay = "2s"
        remind = "60s"
        [alarms.liquid-full]
        limit = "-11K"
        [alarms.cylinder-pressure]
        limit = "1psi"
        """
    )
    assert tight["overfill"].limit == pytest.approx(0.95)
    assert (tight["overfill"].remind_s, tight["overfill"].off_delay_s) == (299, 11)
    assert (tight["overfill-soon"].latched, tight["overfill-soon"].remind_s) == (True, 60)
    assert tight["overfill-soon"].priority is Priority.URGENT
    assert tight["liquid-full"].limit == pytest.approx(-11)
    assert tight["cylinder-pressure"].limit == pytest.approx(PSI_PA)


def test_a_rig_file_of_before_may_name_an_alarm_by_its_old_key() -> None:
    rules = apply('[alarms.flood]\noff_delay = "90s"\n')
    assert rules["many-alarms"].off_delay_s == 90.0 and "flood" not in rules


def test_an_alarm_of_the_users_own() -> None:
    rules = apply(
        """
        [alarms.apart]
        source = "suction_pressure"
        other = "system_pressure"
        kind = "disagree"
        limit = "10psi"
        on_delay = "1min"
        stages = ["pressure-test", "between-stages"]
        label = "Two gauges differ"
        """
    )
    assert list(rules)[-2:] == ["apart", "many-alarms"]
    rule = rules["apart"]
    assert (rule.kind, rule.quantity, rule.on_delay_s) == (Kind.DISAGREE, Quantity.PRESSURE_DIFFERENCE, 60.0)
    assert rule.limit == pytest.approx(10 * PSI_PA)
    assert rule.stages == frozenset({"pressure-test", None})
    AlarmEngine(tuple(rules.values()))


def test_a_live_quantity_can_be_watched() -> None:
    rule = apply('[alarms.slow]\nsource="mass_rate"\nkind="low"\nlimit="0.1lb/min"')["slow"]
    assert rule.limit == pytest.approx(0.1 * 0.45359237 / 60)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[alarms]\noverfil = {limit = 0.9}", "alarms.overfil: no such alarm; did you mean overfill"),
        ("[alarms]\nzzz = {}", "alarms.zzz: no such alarm; an alarm of your own needs a source"),
        ("[alarms]\noverfill = 0.9", "alarms.overfill: is a table of settings"),
        ("[alarms.overfill]\nenabled = false", "alarms.overfill.enabled: this alarm cannot be switched off"),
        ('[alarms.overfill]\nlimit = "120%"', "alarms.overfill.limit: this alarm can only be made tighter"),
        ('[alarms.overfill]\non_delay = "5s"', "alarms.overfill.on_delay: this alarm can only be made to come sooner"),
        ("[alarms.overfill]\nlatched = false", "alarms.overfill.latched: this alarm can only"),
        ('[alarms.overfill]\nremind = "301s"', "alarms.overfill.remind: this alarm can only"),
        ('[alarms.overfill]\nremind = "0s"', "alarms.overfill.remind: this alarm can only"),
        ('[alarms.overfill]\ndeadband = "0.9%"', "alarms.overfill.deadband: this alarm can only"),
        ('[alarms.overfill]\noff_delay = "9s"', "alarms.overfill.off_delay: this alarm can only"),
        ('[alarms.overfill]\npriority = "high"', "alarms.overfill.priority: this alarm can only"),
        ('[alarms.liquid-full]\nlimit = "-9K"', "alarms.liquid-full.limit: this alarm can only be made tighter"),
        ('[alarms.cylinder-pressure]\nlimit = "-1psi"', "alarms.cylinder-pressure.limit: this alarm can only be made"),
        ('[alarms.fill-unknown]\non_delay = "16s"', "alarms.fill-unknown.on_delay: this alarm can only"),
        ('[alarms.overfill]\nstages = ["charging"]', "alarms.overfill.stages: cannot be changed for a built-in"),
        ('[alarms.cylinder-hot]\nlimit = "120"', "alarms.cylinder-hot.limit: '120' has no unit"),
        ('[alarms.cylinder-hot]\nlimit = "12psig"', "alarms.cylinder-hot.limit: '12psig' is a pressure"),
        ("[alarms.cylinder-hot]\nlimit = 50", 'alarms.cylinder-hot.limit: is a number with its unit in quotes'),
        ("[alarms.cylinder-hot]\nlimit = true", "alarms.cylinder-hot.limit: is a number with its unit"),
        ("[alarms.cylinder-hot]\nlimt = 5", "alarms.cylinder-hot.limt: no such setting; known: enabled, limit"),
        ("[alarms.cylinder-hot]\nlabel = 5", "alarms.cylinder-hot.label: is a text"),
        ('[alarms.cylinder-hot]\nenabled = "no"', "alarms.cylinder-hot.enabled: is true or false"),
        ('[alarms.cylinder-hot]\npriority = "top"', "alarms.cylinder-hot.priority: is one of urgent, high, low"),
        ('[alarms.cylinder-hot]\non_delay = "-5s"', "alarms.cylinder-hot.on_delay: '-5s' is outside 0 to 86400"),
        ('[alarms.cylinder-hot]\non_delay = "86401s"', "alarms.cylinder-hot.on_delay: '86401s' is outside 0 to 86400"),
        ('[alarms.cylinder-hot]\nwindow = "5s"', "alarms.cylinder-hot.window: only a rate"),
        ('[alarms.vacuum-lost]\nwindow = "0s"', "alarms.vacuum-lost.window: a window is longer"),
        ('[alarms.store-trouble]\nlimit = "5s"', "alarms.store-trouble.limit: this alarm (trouble) compares with"),
        ('[alarms.own]\nsource = "vacum"\nkind = "high"', "alarms.own.source: 'vacum' is no measuring point"),
        ('[alarms.own]\nsource = "vacuum"', "alarms.own.kind: is one of high, low, rate"),
        ('[alarms.own]\nsource = "vacuum"\nkind = "high"', "alarms.own.limit: this alarm needs one"),
        ('[alarms.own]\nsource = 5\nkind = "high"', "alarms.own.source: 5 is no measuring point"),
        ('[alarms.own]\nsource = ["vacuum"]\nkind = "high"', "alarms.own.source: ['vacuum'] is no measuring point"),
        ('[alarms.own]\nsource = "barometer"\nkind = "high"', "alarms.own.source: 'barometer' is measured by no"),
        ('[alarms.own]\nsource = "valve_position"\nkind = "rate"\nlimit = "1"', "alarms.own.kind: there is no rate of"),
        ('[alarms.own]\nsource = "vacuum"\nkind = "prediction"\nlimit = "1Pa"', "alarms.own.kind: there is no pred"),
        ('[alarms.own]\nsource = "vacuum"\nkind = "high"\nquantity = "mass"\nlimit = "1kg"', "alarms.own.quantity: is"),
        (
            '[alarms.own]\nsource = "vacuum"\nother = "cylinder_mass"\nkind = "disagree"\nlimit = "1Pa"',
            "alarms.own.other: is a mass, the source a vacuum",
        ),
        (
            '[alarms.own]\nsource = "vacuum"\nother = "system_pressure"\nkind = "rate"\nlimit = "1Pa/min"',
            "alarms.own.other: an alarm of kind rate watches one source",
        ),
        ('[alarms.own]\nsource = "vacuum"\nkind = "disagree"\nlimit = "1Pa"', "alarms.own.other: name the second"),
        ('[alarms.own]\nsource = "vacuum"\nkind = "high"\nlimit = "1Pa"\nstages = ["x"]', "alarms.own.stages: is a"),
        ('[alarms.own]\nsource = "vacuum"\nkind = "high"\nlimit = "1e999Pa"', "alarms.own.limit:"),
    ],
)  # fmt: skip
def test_a_wrong_one_is_refused_with_its_key(text: str, expected: str) -> None:
    told = problems(text)
    assert any(problem.startswith(expected) for problem in told), told


def test_more_of_the_users_own_than_are_watched_are_refused() -> None:
    own = 'source = "cylinder_mass"\nkind = "high"\nlimit = "1kg"\n'
    told = problems("".join(f"[alarms.own-{i}]\n{own}" for i in range(51)))
    assert told == ["alarms: 51 alarms of your own; up to 50 are watched"]


def test_all_faults_are_told_at_once() -> None:
    told = problems('[alarms]\nx = 1\n[alarms.overfill]\nenabled = false\nfoo = 1\n[alarms.cylinder-hot]\nlimit = "5"')
    assert [t.split(":")[0] for t in told] == [
        "alarms.x", "alarms.overfill.foo", "alarms.overfill.enabled", "alarms.cylinder-hot.limit"
    ]  # fmt: skip


def test_nothing_given_changes_nothing() -> None:
    assert apply_overrides(RULES, {}) == RULES
