"""Each thing that is said of alarms (tests/words.py). Invented figures."""

from logger.alarms.defaults import default_rules
from logger.alarms.overrides import apply_overrides
from logger.alarms.permit import FORBIDS, because
from logger.alarms.rules import LIMIT_KINDS
from logger.model.alarm import ACTS, AlarmEvent, State
from logger.model.points import Quantity
from logger.model.value import Statement, known, name_of, number, word

DEFAULTS = default_rules(["cylinder_mass", "cylinder_temperature", "vacuum"], {"a1": "Scale"})
OWN = apply_overrides(
    DEFAULTS,
    {
        "cart": {
            "source": "vacuum",
            "kind": "fault",
            "label": "Vacuum gauge on the cart",
            "action": "Swap its battery.",
        },
    },
)
HELD, LONG = (number("held", Quantity.TIME, known(s, "s")) for s in (5.0, 300.0))

SAID = (
    *DEFAULTS,
    *(rule for rule in OWN if rule not in DEFAULTS),
    *(Statement(f"alarm.{kind}", (HELD,)) for kind in sorted(LIMIT_KINDS)),
    Statement("alarm.trouble", (name_of("reason", "open circuit"),)),
    Statement("alarm.normal"),
    Statement("alarm.normal", (LONG,)),
    Statement("alarm.reminded", (number("after", Quantity.TIME, known(300.0, "s")),)),
    Statement("alarm.shelf_over"),
    Statement("alarm.not_watched"),
    Statement("alarm.not_watched", (word("stage", "pressure-test"),)),
    *(Statement("alarm.act", (word("act", act), name_of("by", "Kim"))) for act in sorted(ACTS)),
    Statement("alarm.act", (word("act", AlarmEvent.ACKNOWLEDGE),)),
    Statement(
        "alarm.unknown", (name_of("asked", "overfil"), name_of("there_is", "overfill"), name_of("there_is", "x"))
    ),
    Statement("alarm.nothing_to", (word("state", State.NORMAL), word("act", AlarmEvent.RESET))),
    Statement("alarm.not_shelvable"),
    Statement(
        "alarm.shelved_for",
        (number("longest", Quantity.TIME, known(14400.0, "s")), number("asked", Quantity.TIME, known(18000.0, "s"))),
    ),
    Statement("alarm.stays_in_service"),
    *(Statement("alarm.needs_reason", (word("act", act),)) for act in (AlarmEvent.SHELVE, AlarmEvent.TAKE_OUT)),
    Statement("permit.not_filling"),
    because("permit.device", "Recovery machine: its device has not said what it is"),
    Statement("permit.no_cylinder"),
    Statement("permit.other_cylinder"),
    because("permit.not_to_be_filled", "Its last test is over five years ago."),
    *(Statement("permit.no_alarm", (name_of("alarm", key),)) for key in sorted(FORBIDS)),
    because("permit.fill_unknown", "no reading for 12 s"),
    Statement("permit.no_limit"),
    Statement("permit.correcting"),
    Statement("permit.full"),
    because("permit.unknown", "open circuit", name_of("reading", "cylinder_pressure")),
    Statement("permit.no_scale"),
    Statement("permit.pressure_at_limit"),
    *(Statement("permit.alarm", (name_of("alarm", "CYLINDER HOT"), word("state", state))) for state in State),
    Statement("permit.restarted"),
    because("permit.refused", "busy"),
    because("permit.opened", "its permit ran out"),
)
