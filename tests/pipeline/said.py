"""Each refusal of an act or a correction (tests/words.py). Invented figures."""

from logger.model.points import Quantity
from logger.model.units import NS_PER_S
from logger.model.value import Argument, Statement, count_of, instant_of, known, name_of, number, word
from logger.pipeline.correcting import TARGETS
from logger.pipeline.entries import kinds, there_are
from logger.stages import registry

T0_NS = 1_772_467_200 * NS_PER_S
TARE, WHY = word("fact", "cylinder.tare_kg"), name_of("reason", "as it was read")
CHARGE = (number("charge", Quantity.MASS, known(98.0, "kg")), number("volume", Quantity.VOLUME, known(0.26, "m3")))
LB = number("value", Quantity.MASS, known(12.9, ""))
KG = number("value", Quantity.MASS, known(-4.5, ""))
FIRST = (count_of("number", 1), *(word("stage", one.kind) for one in registry.STAGES[:1]))


def asked(text: str) -> Argument:
    return name_of("asked", text)


def at(name: str, minutes: int) -> Argument:
    return instant_of(name, T0_NS + minutes * 60 * NS_PER_S)


ANOTHER = (at("at", 12), count_of("number", 3), name_of("old", "Acme"), name_of("new", "Acme Inc."))
SAID = (
    Statement("act.unknown", (asked("fly"),)),
    Statement("proposal.none"),
    Statement("proposal.several", (count_of("open", 4), count_of("open", 2))),
    Statement("proposal.unknown", (name_of("n", "7"), count_of("open", 4))),
    Statement("proposal.which_cylinder", (count_of("n", 4),)),
    Statement("act.no_job"),
    Statement("act.catching_up", (name_of("reason", "the record of before the restart is still being read"),)),
    Statement("act.text", (name_of("field", "operator"),)),
    Statement("act.number", (name_of("field", "seconds"),)),
    Statement("act.time", (number("began", Quantity.TIME, known(4980.0, "s")),)),
    Statement("stage.none_running"),
    *(Statement("stage.ends_too_early", (word("stage", one.kind), at("begun", 5))) for one in registry.STAGES),
    Statement("stage.no_such_kind", kinds()),
    Statement("stage.another_then", (*FIRST, at("at", 30), at("until", 95))),
    Statement("stage.begun_then", FIRST),
    Statement("stage.settings"),
    Statement("mark.empty"),
    Statement("note.empty"),
    Statement("job_setting.unknown"),
    *(Statement(f"charge.{key}", CHARGE) for key in ("too_much", "too_little")),
    Statement("autostop.no_output"),
    Statement("autostop.not_armed"),
    Statement("autostop.which", there_are(("recovery machine", "vacuum pump"))),
    Statement("cylinder.unknown", (asked("R-9"), *there_are(("R-7", "R-8")))),
    Statement("cylinder.unknown", (asked("R-9"),)),
    Statement("cylinder.unreadable", (WHY,)),
    Statement("cylinder.no_number", (name_of("value", "'12'"),)),
    Statement("cylinder.name"),
    Statement("cylinder.above_zero"),
    Statement("correct.confirmation"),
    Statement("correct.typed_again"),
    Statement("correct.reason"),
    Statement("correct.target", there_are(TARGETS)),
    Statement("correct.unchanged", (name_of("about", "cylinder R-7, tare"), LB)),
    Statement("correct.stage", (asked("7"), *there_are(("1 recovery", "2 evacuation")))),
    Statement("correct.stage"),
    *(
        Statement("correct.numbered", (word("target", one), asked("9"), count_of("there_are", many)))
        for one, many in (("mark", 4), ("note", 1), ("swap", 0), ("correction", 2))
    ),
    Statement("correct.sensor", (asked("nose"), *there_are(("cylinder_mass", "vacuum")))),
    *(Statement("correct.fact", (word("target", one), asked("color"), *there_are(("at",)))) for one in TARGETS),
    Statement("correct.fact", (word("target", "cylinder"), *there_are(("name", "tare")))),
    Statement("correct.no_span", (TARE,)),
    Statement("correct.span"),
    Statement("correct.time"),
    Statement("correct.never_unknown", (TARE,)),
    Statement("correct.one_of", (word("fact", "job.jurisdiction"), *there_are(("us", "un", "strictest")))),
    Statement("point.unknown", (asked("nose"),)),
    Statement("correct.line", (word("fact", "job.customer"),)),
    Statement("correct.other_cylinder", (name_of("cylinder", "R-8"),)),
    Statement("correct.number", (TARE,)),
    Statement("correct.impossible", (TARE, KG)),
    Statement("correct.wrong", (word("fact", "job.altitude_m"), WHY)),
    Statement("correct.day", (word("fact", "cylinder.tested"), WHY)),
    Statement("correct.refrigerant", (name_of("reason", "no refrigerant R-9999"),)),
    Statement("correct.kind"),
    Statement("correct.split"),
    Statement("correct.joined", (count_of("number", 1), *there_are(("2 evacuation",)))),
    Statement(
        "correct.another",
        (
            name_of("by", "Kim"),
            at("at", 12),
            count_of("number", 3),
            name_of("old", "Acme"),
            name_of("new", "Acme Inc."),
        ),
    ),
    Statement("stage.same_runs", (*FIRST, number("lasted", Quantity.TIME, known(740.0, "s")))),
    Statement(
        "stage.not_done", (*FIRST, name_of("missed", "When recovery is done, stop the recovery machine and mark it"))
    ),
    Statement("correct.another", ANOTHER),
    Statement("correct.as_stamped"),
    Statement("correct.as_entered"),
    Statement("correct.undone", (count_of("number", 3),)),
    Statement("correct.ends_too_early", FIRST),
    *(
        Statement(
            "correct.overlap",
            (*FIRST, *until, count_of("next_number", 2), word("next_stage", registry.STAGES[1].kind), at("begin", 60)),
        )
        for until in ((), (at("until", 75),))
    ),
    *(
        Statement(
            "correct.under_tare",
            (name_of("cylinder", "R-7"), number("gross", Quantity.MASS, known(11.2, "kg", 0.02)), *stage),
        )
        for stage in ((), (count_of("number", 2),))
    ),
)
