"""What is said of every stage: of its settings, and of an analysis that failed (tests/words.py). Invented figures."""

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.value import Statement, count_of, known, name_of, number, word
from logger.stages import registry

ALL = tuple(name_of("there_is", one) for one in ("supply", "receiver"))
TARGET, UP = name_of("setting", "target"), name_of("asked", "up")

SAID = (
    Finding("program.failed", Verdict.CANNOT_TELL, (name_of("fault", "ValueError: no root"),)),
    Statement("setting.not_of_stage", (name_of("setting", "color"), *ALL)),
    *(Statement("setting.not_of_stage", (TARGET, word("stage", one.kind))) for one in registry.STAGES),
    *(Statement(f"setting.{key}", (TARGET,)) for key in ("flag", "text", "number", "above_zero", "too_large")),
    Statement("setting.form", (TARGET, UP)),
    Statement("setting.day", (name_of("setting", "verified"), UP)),
    Statement("setting.profile", (name_of("setting", "profile"), UP, *ALL)),
    Statement("setting.one_of", (name_of("setting", "direction"), UP, *ALL)),
    Statement("setting.count", (name_of("setting", "evacuations"), count_of("most", 1000))),
    Statement(
        "setting.unusual",
        (
            name_of("setting", "test_pressure"),
            *(
                number(name, Quantity.PRESSURE, known(pa, "Pa"))
                for name, pa in (("value", 15e6), ("low", 2e5), ("high", 6e6))
            ),
        ),
    ),
)
